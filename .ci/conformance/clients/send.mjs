// Sends an event to a service: node send.mjs URL FILE
import { readFileSync } from 'node:fs'

const [url, file] = process.argv.slice(2)
const answer = await fetch(`${url}/fhir/$process-message`, {
  method: 'POST', headers: { 'Content-Type': 'application/fhir+json' }, body: readFileSync(file),
})
if (!answer.ok) {
  console.error(await answer.text())
  process.exit(1)
}
