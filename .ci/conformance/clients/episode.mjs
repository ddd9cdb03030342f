// One invented episode, from the event to the completed plan, told to whatever client is
// given: what a charting screen and an EHR do with the interface. Every step prints a line;
// the first that is not as it must be ends the program.
//
// A client is an object with the calls below; each gives a resource, and throws
// {status, outcome} for what is no success.
//
//   capability()                       search(type, params)      searchByForm(type, params)
//   page(bundle, relation)             read(type, id)            vread(type, id, version)
//   history(type, id)                  create(resource, headers) patch(type, id, steps, headers)
//   transaction(bundle)                message(bundle)         events(subscription)
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { createServer } from 'node:http';
import { setTimeout as sleep } from 'node:timers/promises';

const local = 'https://fhirsvc.example/fhir/CodeSystem/radial-compression';
const ucum = 'http://unitsofmeasure.org';
const snomed = 'http://snomed.info/sct';
const haemostasis = { system: 'http://dicom.nema.org/resources/ontology/DCM', code: '122033' };
const absent = { system: snomed, code: '2667000' };
const normal = { system: snomed, code: '17621005' };
const patient = { identifier: { system: 'https://ehr.example/patient', value: 'T-77' } };

/**
 * Plays the episode with a client against a sandbox whose clock is turned by hand. The event
 * is the example's.
 */
export async function play(name, client, server, eventFile) {
  const told = new Teller(name);
  const event = JSON.parse(readFileSync(eventFile, 'utf8'));
  const plan = await begin(told, client, event);
  await look(told, client, plan);
  const hook = await subscribe(told, client);
  await refusals(told, client, plan);
  await notified(told, client, plan, hook);
  await nurse(told, client, server, plan, event);
  await end(told, client, plan);
  console.log(`${name}: ${told.steps} steps`);
}

class Teller {
  constructor(name) {
    this.name = name;
    this.steps = 0;
  }

  /** Does a step and says it. */
  async step(what, work) {
    try {
      const result = await work();
      this.steps++;
      console.log(`${this.name}  ok  ${what}`);
      return result;
    } catch (e) {
      console.error(`${this.name}  FAILED  ${what}`, e.outcome ? JSON.stringify(e.outcome) : e);
      process.exit(1);
    }
  }
}

const resources = (bundle) => (bundle.entry ?? []).filter((e) => e.search?.mode !== 'include').map((e) => e.resource);
const ids = (bundle) => resources(bundle).map((r) => r.id);
const codeOf = (concept) => concept?.coding?.find((c) => c.system === local)?.code ?? concept?.coding?.[0]?.code;

/** What a client must be told of a refusal: the status and an OperationOutcome that says why. */
async function refused(work, status, code) {
  const e = await work().then(
    (r) => assert.fail(`it was done: ${JSON.stringify(r)}`),
    (e) => e,
  );
  if (e.status === undefined) throw e;
  assert.equal(e.status, status);
  assert.equal(e.outcome.resourceType, 'OperationOutcome');
  assert.equal(e.outcome.issue[0].code, code);
  assert.ok(e.outcome.issue[0].details.text);
}

async function begin(told, client, event) {
  await told.step('the CapabilityStatement is of R4 and names what follows', async () => {
    const c = await client.capability();
    assert.equal(c.fhirVersion, '4.0.1');
    const served = Object.fromEntries(c.rest[0].resource.map((r) => [r.type, r.interaction.map((i) => i.code)]));
    for (const code of ['read', 'vread', 'history-instance', 'search-type', 'patch']) assert.ok(served.Task.includes(code), code);
    assert.ok(served.Observation.includes('create'));
  });
  const reference = await told.step('$process-message takes the event in', async () => {
    const answer = await client.message(event);
    assert.equal(answer.entry[0].resource.response.code, 'ok');
    return answer.entry[0].resource.focus[0].reference;
  });
  await told.step('the same event again changes nothing', async () => {
    const answer = await client.message(event);
    assert.equal(answer.entry[0].resource.focus[0].reference, reference);
  });
  return told.step('the plan can be read', async () => {
    const plan = await client.read('CarePlan', reference.split('/').at(-1));
    assert.equal(plan.status, 'active');
    assert.ok(plan.activity.length > 5);
    return plan;
  });
}

/** Reads what is there in every way. */
async function look(told, client, plan) {
  const of = { patient: plan.subject.reference, _sort: 'due-date' };
  const all = await told.step('a search by GET finds the Tasks of the plan', async () => {
    const found = await client.search('Task', { ...of, _count: '200' });
    assert.equal(found.total, plan.activity.length);
    assert.deepEqual(new Set(ids(found)), new Set(plan.activity.map((a) => a.reference.reference.split('/').at(-1))));
    return ids(found);
  });
  await told.step('a search by POST finds the same', async () => {
    assert.deepEqual(ids(await client.searchByForm('Task', { ...of, _count: '200' })), all);
  });
  await told.step('pages forward make up the whole, and back again', () => paging(client, of, all));
  await told.step('_include brings the patient along, once', async () => {
    const found = await client.search('Task', { ...of, _include: 'Task:patient' });
    const included = found.entry.filter((e) => e.search.mode === 'include').map((e) => e.resource);
    assert.deepEqual(included.map((r) => `${r.resourceType}/${r.id}`), [plan.subject.reference]);
  });
  await told.step('an old version and the history can be read', async () => {
    const history = await client.history('CarePlan', plan.id);
    assert.equal(history.type, 'history');
    assert.equal(history.total, history.entry.length);
    const first = await client.vread('CarePlan', plan.id, '1');
    assert.deepEqual(first, history.entry.at(-1).resource);
  });
}

async function paging(client, of, all) {
  const pages = [];
  let page = await client.search('Task', { ...of, _count: '5' });
  for (; page; page = await client.page(page, 'next')) pages.push(page);
  assert.deepEqual(pages.flatMap(ids), all);
  assert.equal(pages.length, Math.ceil(all.length / 5));
  page = pages.at(-1);
  for (let n = pages.length - 2; n >= 0; n--) {
    page = await client.page(page, 'previous');
    assert.deepEqual(ids(page), ids(pages[n]));
  }
  assert.equal(await client.page(page, 'previous'), undefined);
}

const backport = 'http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition';

/** Subscribes to changes of Tasks; what the endpoint is sent is in `got`. */
async function subscribe(told, client) {
  const got = [];
  const endpoint = createServer((request, response) => {
    let body = '';
    request.on('data', (part) => (body += part));
    request.on('end', () => {
      got.push(JSON.parse(body));
      response.end();
    });
  });
  endpoint.unref();
  await new Promise((listening) => endpoint.listen(0, '127.0.0.1', listening));
  return told.step('a Subscription is activated by a handshake', async () => {
    const made = await client.create({
      resourceType: 'Subscription',
      status: 'requested',
      reason: 'Work list of an invented ward',
      criteria: 'https://fhirsvc.example/fhir/SubscriptionTopic/task-changed',
      channel: {
        type: 'rest-hook',
        endpoint: `http://127.0.0.1:${endpoint.address().port}/hook`,
        payload: 'application/fhir+json',
        _payload: { extension: [{ url: `${backport}/backport-payload-content`, valueCode: 'id-only' }] },
      },
    });
    await until(async () => (await client.read('Subscription', made.id)).status === 'active');
    assert.equal(kindOf(got[0]), 'handshake');
    return { id: made.id, got };
  });
}

const part = (notification, name) => notification.entry[0].resource.parameter.filter((p) => p.name === name);
const kindOf = (notification) => part(notification, 'type')[0].valueCode;

/** The references that notifications are about, in order, without versions. */
const foci = (notifications) =>
  notifications
    .filter((n) => kindOf(n) !== 'handshake')
    .flatMap((n) => part(n, 'notification-event'))
    .map((e) => e.part.find((p) => p.name === 'focus').valueReference.reference.split('/_history')[0].split('/').slice(-2).join('/'));

/** What was changed since is told, in order and with its number, and can be asked for again. */
async function notified(told, client, plan, hook) {
  await told.step('the claim is told at the endpoint, and can be asked for again', async () => {
    const found = await client.search('Task', { patient: plan.subject.reference, code: `${local}|arrival-check` });
    const claimed = `Task/${resources(found)[0].id}`;
    await until(() => foci(hook.got).filter((f) => f === claimed).length >= 2); // claimed, and given back
    const numbers = hook.got.flatMap((n) => part(n, 'notification-event')).map((e) => Number(e.part.find((p) => p.name === 'event-number').valueString));
    assert.deepEqual(numbers, numbers.map((_, i) => i + 1));
    assert.deepEqual(foci([await client.events(hook.id)]), foci(hook.got));
  });
}

/** Waits, ten seconds at most, until something holds. */
async function until(holds) {
  for (let n = 0; n < 200; n++) {
    if (await holds()) return;
    await sleep(50);
  }
  assert.fail('it did not come about within 10 s');
}

/** What is refused, and what is done once. */
async function refusals(told, client, plan) {
  const found = await client.search('Task', { patient: plan.subject.reference, code: `${local}|arrival-check` });
  const task = resources(found)[0];
  const tag = (t) => ({ 'If-Match': `W/"${t.meta.versionId}"` });
  const claim = [
    { op: 'test', path: '/status', value: 'ready' },
    { op: 'replace', path: '/status', value: 'in-progress' },
    { op: 'add', path: '/owner', value: { display: 'Nurse Makebelieve' } },
  ];
  const claimed = await told.step('a JSON Patch claims a Task', async () => {
    const t = await client.patch('Task', task.id, claim, tag(task));
    assert.equal(t.status, 'in-progress');
    assert.equal(Number(t.meta.versionId), Number(task.meta.versionId) + 1);
    return t;
  });
  await told.step('who comes second gets 412', () => refused(() => client.patch('Task', task.id, claim, tag(task)), 412, 'conflict'));
  await told.step('it can be given back', async () => {
    const back = [{ op: 'replace', path: '/status', value: 'ready' }, { op: 'remove', path: '/owner' }];
    assert.equal((await client.patch('Task', task.id, back, tag(claimed))).status, 'ready');
  });
  await told.step('a conditional create is done once', async () => {
    const entry = { system: 'https://screen.example/entry', value: 'E-1' };
    const o = finding('general-condition', { system: local, code: 'well' }, '2026-03-02T10:06:00Z');
    o.identifier = [entry];
    const condition = { 'If-None-Exist': `identifier=${entry.system}|${entry.value}` };
    const first = await client.create(o, condition);
    assert.deepEqual(await client.create(o, condition), first);
  });
  await told.step('a parameter that is not served is refused', () => refused(() => client.search('Task', { colour: 'red' }), 400, 'not-supported'));
  await told.step('what is not there is 404', () => refused(() => client.read('Task', 'none'), 404, 'not-found'));
  await told.step('a finding without a status is refused by its element', async () => {
    const o = finding('access-site-bleeding', haemostasis, '2026-03-02T10:06:00Z');
    delete o.status;
    await refused(() => client.create(o), 400, 'required');
  });
  await told.step('a wrong entry stops the transaction whole', async () => {
    const before = (await client.search('Observation', { _summary: 'count' })).total;
    const good = finding('access-site-bleeding', haemostasis, '2026-03-02T10:06:00Z');
    const entries = [good, { ...good, status: 'nonsense' }].map((resource) => ({ resource, request: { method: 'POST', url: 'Observation' } }));
    await refused(() => client.transaction({ resourceType: 'Bundle', type: 'transaction', entry: entries }), 400, 'code-invalid');
    assert.equal((await client.search('Observation', { _summary: 'count' })).total, before);
  });
}

function finding(code, value, at) {
  const o = {
    resourceType: 'Observation',
    status: 'final',
    code: { coding: [code === '44974-4' ? { system: 'http://loinc.org', code } : { system: local, code }] },
    subject: patient,
    effectiveDateTime: at,
    performer: [{ display: 'Nurse Makebelieve' }],
  };
  if (typeof value === 'number') o.valueQuantity = { value, unit: 'mL', system: ucum, code: 'mL' };
  else o.valueCodeableConcept = { coding: [value] };
  return o;
}

/** What the nurse would find, by the code of the finding. */
const findings = {
  'access-site-bleeding': haemostasis,
  'access-site-haematoma': absent,
  'hand-check': normal,
  'radial-patency-test': { system: local, code: 'patent' },
  'general-condition': { system: local, code: 'well' },
  'band-air-volume': 15,
  '44974-4': { system: snomed, code: '12146004' },
};

/** Does what is due, in order, until the plan is completed; everything in transactions. */
async function nurse(told, client, server, plan, event) {
  const visits = {};
  await told.step('a nurse does what is due until the plan is completed', async () => {
    for (let n = 0; n < 80; n++) {
      if ((await client.read('CarePlan', plan.id)).status === 'completed') return;
      const open = await client.search('Task', { patient: plan.subject.reference, status: 'ready', _sort: 'due-date' });
      const due = (t) => t.restriction?.period?.end;
      const task = resources(open).find((t) => !due(t)) ?? resources(open)[0]; // what is bound to no time is done at once
      const now = await turn(server, task && (due(task) ?? task.restriction?.period?.start ?? event.timestamp));
      if (!task) continue;
      const code = codeOf(task.code);
      visits[code] = (visits[code] ?? 0) + 1;
      await client.transaction(visit(task, now));
    }
    assert.fail('80 visits, and the plan is still open');
  });
  await told.step(`it took ${Object.entries(visits).map(([code, n]) => `${n} ${code}`).join(', ')}`, async () => {
    assert.equal(visits['release-step'], 5, '15 mL in steps of 3');
    assert.equal(visits['band-removal'], 1);
  });
}

/** A transaction that charts what a Task asks for, or else completes it. */
function visit(task, now) {
  const input = (type) => (task.input ?? []).filter((i) => codeOf(i.type) === type);
  const entry = input('required-finding').map((i) => {
    const code = codeOf(i.valueCodeableConcept);
    let value = findings[code];
    if (code === 'band-air-removed') value = input('planned-volume')[0].valueQuantity.value;
    if (code === 'band-state') value = { system: local, code: codeOf(task.code) === 'band-removal' ? 'off' : 'on' };
    assert.ok(value !== undefined, `${codeOf(task.code)} asks for ${code}`);
    return { resource: finding(code, value, now), request: { method: 'POST', url: 'Observation' } };
  });
  if (entry.length === 0) {
    const steps = [
      { op: 'replace', path: '/status', value: 'completed' },
      { op: 'add', path: '/executionPeriod', value: { end: now } },
    ];
    const data = Buffer.from(JSON.stringify(steps)).toString('base64');
    entry.push({
      resource: { resourceType: 'Binary', contentType: 'application/json-patch+json', data },
      request: { method: 'PATCH', url: `Task/${task.id}` },
    });
  }
  return { resourceType: 'Bundle', type: 'transaction', entry };
}

/** Turns the sandbox's clock to an instant, or on by five minutes; gives the time then. */
async function turn(server, instant) {
  const clock = `${server}/sandbox/clock`;
  const { now } = await (await fetch(clock)).json();
  const later = instant && new Date(instant) > new Date(now);
  if (instant && !later) return now;
  const answer = await fetch(clock, { method: 'POST', body: JSON.stringify(later ? { now: instant } : { advance: 'PT5M' }) });
  assert.equal(answer.status, 200);
  return (await answer.json()).now;
}

async function end(told, client, plan) {
  await told.step('no Task is left open, and the findings are all there', async () => {
    const open = await client.search('Task', { patient: plan.subject.reference, status: 'draft,ready,in-progress,on-hold' });
    assert.deepEqual(resources(open).map((t) => codeOf(t.code)), []);
    const removed = await client.search('Observation', { code: `${local}|band-air-removed`, patient: plan.subject.reference });
    assert.equal(removed.total, 5);
  });
  await told.step('each version says who made it', async () => {
    const by = await client.search('Provenance', { target: `CarePlan/${plan.id}`, _count: '1' });
    assert.ok(by.total > 0);
  });
}
