// Reads lines {"id", "resource": "text of a resource"} and writes lines
// {"id", "issues": [{"severity", "location", "code", "message"}]} in the same order, as
// one of the validators of the npm registry judges them.
//
//   node peer.cjs fhir|medplum|schema < cases.ndjson
'use strict';
const readline = require('node:readline');
const { load, issue } = require('./validators.cjs');

async function main(name) {
  const { issues: validate } = load(name);
  for await (const line of readline.createInterface({ input: process.stdin, crlfDelay: Infinity })) {
    const { id, resource } = JSON.parse(line);
    let issues;
    try {
      issues = validate(JSON.parse(resource));
    } catch (e) {
      issues = [issue('fatal', '', e.name, e.message)]; // some texts make it give up, which is a refusal
    }
    if (!process.stdout.write(JSON.stringify({ id, issues }) + '\n')) {
      await new Promise((go) => process.stdout.once('drain', go));
    }
  }
}

main(process.argv[2]);
