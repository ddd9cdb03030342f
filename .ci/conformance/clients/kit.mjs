// Plays the episode with fhir-kit-client.
//
//   node kit.mjs http://127.0.0.1:8080 event.json
import { Client } from 'fhir-kit-client';
import { play } from './episode.mjs';

const [server, eventFile] = process.argv.slice(2);
const kit = new Client({ baseUrl: `${server}/fhir` });

/** Gives a plain resource, or throws the status and the outcome of a refusal. */
async function told(call) {
  try {
    return structuredClone(await call);
  } catch (e) {
    throw e.response ? { status: e.response.status, outcome: e.response.data } : e;
  }
}

const fhirJSON = { 'Content-Type': 'application/fhir+json' };

await play('fhir-kit-client', {
  capability: () => told(kit.capabilityStatement()),
  search: (resourceType, searchParams) => told(kit.search({ resourceType, searchParams })),
  searchByForm: (resourceType, searchParams) => told(kit.search({ resourceType, searchParams, options: { postSearch: true } })),
  page: (bundle, relation) => {
    const page = relation === 'next' ? kit.nextPage({ bundle }) : kit.prevPage({ bundle });
    return page === undefined ? undefined : told(page);
  },
  read: (resourceType, id) => told(kit.read({ resourceType, id })),
  vread: (resourceType, id, version) => told(kit.vread({ resourceType, id, version })),
  history: (resourceType, id) => told(kit.history({ resourceType, id })),
  create: (body, headers) => told(kit.create({ resourceType: body.resourceType, body, options: { headers: { ...fhirJSON, ...headers } } })),
  patch: (resourceType, id, jsonPatch, headers) => told(kit.patch({ resourceType, id, jsonPatch, options: { headers } })),
  transaction: (body) => told(kit.transaction({ body, options: { headers: fhirJSON } })),
  message: (input) => told(kit.operation({ name: 'process-message', input, options: { headers: fhirJSON } })),
  events: (id) => told(kit.operation({ name: 'events', resourceType: 'Subscription', id, method: 'GET' })),
}, server, eventFile);
