// Package npm gives HL7's published packages of R4 definitions, checked by their
// SHA-256. They are fetched with the ordinary npm client into .build/npm when they
// are not there. The generator uses it, and tests that read the published examples.
//
// It knows npm packages and must not know what is in them.
//
//	files, err := npm.Files(npm.Examples()) // JSON by file name
package npm
