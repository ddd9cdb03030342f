package fhir

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strconv"

	"fhirsvc/internal/workflow"
)

// encode writes a resource as compact JSON. Markup stays readable: < is not escaped.
func encode(resource any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(resource); err != nil {
		return nil, fmt.Errorf("encode resource: %w", err)
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), nil
}

// volume writes millilitres with their written precision.
func volume(d workflow.Decimal) *Quantity {
	return &Quantity{Value: json.Number(d.String()), Unit: UnitMillilitre, System: SystemUCUM, Code: UnitMillilitre}
}

func decimalText(n int) string { return strconv.Itoa(n) }
