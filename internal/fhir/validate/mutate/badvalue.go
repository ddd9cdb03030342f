package mutate

// badValues gives values of the right JSON type that are not in the format of a
// primitive type, as JSON; none for types that take every value of their JSON type.
// Source: hl7.org/fhir/R4/datatypes.html#primitive, the table's rules and regexes.
func badValues(primitive string) []string {
	switch primitive {
	case "integer":
		return []string{`1.5`, `1e3`, `2147483648`, `-2147483649`}
	case "positiveInt":
		return []string{`0`, `-1`, `1.5`, `2147483648`}
	case "unsignedInt":
		return []string{`-1`, `1.5`, `2147483648`}
	case "date":
		return []string{`"2025-02-30"`, `"2025-3-4"`, `"2025-03-04T09:00:00Z"`, `"2025-13"`, `"25-03-04"`, `"2025-03-04 "`}
	case "dateTime":
		return []string{
			`"2025-02-30"`, `"2025-03-04T09:00:00"`, `"2025-03-04T09:00Z"`, `"2025-03-04T25:00:00Z"`, `"2025-03-04T24:00:00Z"`,
			`"2025-03-04T09:61:00Z"`, `"2025-03-04 09:00:00Z"`, `"2025-02-30T09:00:00Z"`, `"2025-03-04T09:00:00+1:00"`, `"2025-03-04T09:00:00+15:00"`, `"04.03.2025"`,
		}
	case "instant":
		return []string{`"2025-03-04"`, `"2025-03-04T09:00:00"`, `"2025-02-30T09:00:00Z"`, `"2025-03-04T09:00Z"`, `"2025-03-04T24:00:00Z"`}
	case "time":
		return []string{`"24:00:00"`, `"9:00:00"`, `"09:00"`, `"09:00:00Z"`, `"09:61:00"`}
	case "base64Binary":
		return []string{`"dGV4d*=="`, `"dGV4dA="`, `"dGV4dA"`, `"a=b="`}
	case "string", "markdown":
		return []string{`"a\u0001b"`, `"a\u0000b"`}
	case "code":
		return []string{`" a"`, `"a "`, `"a  b"`, `"a\tb"`, `" "`}
	case "uri", "url", "canonical":
		return []string{`"https://fhirsvc.example/a b"`, `" https://fhirsvc.example/a"`}
	case "oid":
		return []string{`"urn:oid:3.1"`, `"1.2.3"`, `"urn:oid:1.02"`}
	case "uuid":
		return []string{`"urn:uuid:4f2b9f3c"`, `"4f2b9f3c-8a55-4d0e-9d0e-0a5b1c2d3e4f"`}
	case "id":
		return []string{`"a_1"`, `"a 1"`, `"0123456789012345678901234567890123456789012345678901234567890123-"`}
	}
	return nil
}
