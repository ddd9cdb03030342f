// Plays the episode with fhirclient, as a program on a server uses it.
//
//   node smart.mjs http://127.0.0.1:8080 event.json
import FHIR from 'fhirclient';
import { play } from './episode.mjs';

const [server, eventFile] = process.argv.slice(2);
const client = new FHIR.FhirClient(`${server}/fhir`);

/** Gives a resource, or throws the status and the outcome of a refusal. */
async function told(call) {
  try {
    return await call;
  } catch (e) {
    if (!e.response) throw e;
    throw { status: e.status, outcome: JSON.parse(e.message.slice(e.message.indexOf('{'))) };
  }
}

const get = (url) => told(client.fhirRequest(url));
const post = (url, body, type) => told(client.fhirRequest(url, { method: 'POST', body, headers: { 'Content-Type': type } }));
const query = (params) => new URLSearchParams(params).toString();

await play('fhirclient', {
  capability: () => get('metadata'),
  search: (type, params) => get(`${type}?${query(params)}`),
  searchByForm: (type, params) => post(`${type}/_search`, query(params), 'application/x-www-form-urlencoded'),
  page: async (bundle, relation) => {
    if (relation === 'next') { // it walks forward by itself
      const pages = client.pages(bundle);
      await pages.next();
      return (await pages.next()).value;
    }
    const link = bundle.link.find((l) => l.relation === relation);
    return link && get(link.url);
  },
  read: (type, id) => get(`${type}/${id}`),
  vread: (type, id, version) => get(`${type}/${id}/_history/${version}`),
  history: (type, id) => get(`${type}/${id}/_history`),
  create: (resource, headers) => told(client.create(resource, { headers })),
  patch: (type, id, steps, headers) => told(client.patch(`${type}/${id}`, steps, { headers })),
  transaction: (bundle) => post('', JSON.stringify(bundle), 'application/fhir+json'),
  message: (bundle) => post('$process-message', JSON.stringify(bundle), 'application/fhir+json'),
  events: (id) => get(`Subscription/${id}/$events`),
}, server, eventFile);
