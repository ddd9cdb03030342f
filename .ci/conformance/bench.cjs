// A contender of `make bench-validate` on Node: measures a validator of the npm registry
// as internal/conformance/bench/serve.go measures those in Go, and writes the same two
// lines. Reading the JSON is part of what is measured.
//
//	node bench.cjs fhir|medplum FOLDER WARM_MS MEASURE_MS
'use strict';
const fs = require('node:fs');
const path = require('node:path');
const { load } = require('./validators.cjs');

const batch = 50;
const taskBatches = 20;

const read = (folder, name) => JSON.parse(fs.readFileSync(path.join(folder, `${name}.json`), 'utf8'));

/** Microseconds that all threads of the process have used. */
function processorTime() {
  const { user, system } = process.cpuUsage();
  return user + system;
}

/** A line of what Linux says of the process's memory, in kB. */
function resident(field) {
  const line = fs.readFileSync('/proc/self/status', 'utf8').match(new RegExp(`^${field}:\\s*(\\d+) kB$`, 'm'));
  if (!line) throw new Error(`no ${field} in /proc/self/status`);
  return Number(line[1]);
}

const micros = (from) => Number(process.hrtime.bigint() - from) / 1e3;
const ascending = (a, b) => a - b;

function measure(judge, set, warm, measured) {
  const accepted = set.filter((text) => judge(text)).length;
  for (let end = processorTime() + warm * 1e3; processorTime() < end; ) set.forEach((text) => judge(text));
  const took = [];
  const cpu = processorTime();
  const began = process.hrtime.bigint();
  for (const end = cpu + measured * 1e3; processorTime() < end; ) {
    for (const text of set) {
      const start = process.hrtime.bigint();
      judge(text);
      took.push(micros(start));
    }
  }
  const times = { wall: micros(began), cpu: processorTime() - cpu };
  took.sort(ascending);
  const at = (share) => took[Math.floor(took.length * share)];
  return { accepted, count: took.length, ...times, p50: at(0.5), p99: at(0.99) };
}

/** The 99th percentile by processor time: what is slow here was not interrupted by others. */
function measureTail(judge, set, measured) {
  const took = [];
  for (const end = processorTime() + measured * 1e3; processorTime() < end; ) {
    for (const text of set) {
      const before = processorTime();
      judge(text);
      took.push(processorTime() - before);
    }
  }
  return took.sort(ascending)[Math.floor(took.length * 0.99)];
}

/** The median of batches is one that nobody interrupted. */
function measureTask(judge, task) {
  const took = Array.from({ length: taskBatches }, () => {
    const began = process.hrtime.bigint();
    for (let i = 0; i < batch; i++) judge(task);
    return micros(began) / batch;
  });
  return took.sort(ascending)[taskBatches >> 1];
}

function main(name, folder, warm, measured) {
  const [task] = read(folder, 'task');
  const { accepts } = load(name);
  const judge = (text) => accepts(JSON.parse(text));
  if (!judge(task)) throw new Error('the Task is not accepted');
  fs.writeSync(1, 'ready\n');
  const readyCPU = processorTime();
  const types = read(folder, 'types');
  const began = process.hrtime.bigint();
  for (const text of types) judge(text);
  const allTypes = micros(began);
  const memory = resident('VmRSS');
  const set = read(folder, 'set');
  const result = { readyCPU, allTypes, memory, ...measure(judge, set, Number(warm), Number(measured)) };
  result.p99CPU = measureTail(judge, set, Number(measured));
  result.task = measureTask(judge, task);
  result.peak = resident('VmHWM');
  fs.writeSync(1, JSON.stringify(result) + '\n');
}

main(...process.argv.slice(2));
