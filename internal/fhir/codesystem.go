package fhir

import "strings"

// The version of the published resources that this release brings, and the day from
// which they have been as they are. Both change together.
const (
	Published   = "0.1.0"
	PublishedOn = "2026-11-25"
)

// codeSystem is R4 CodeSystem as fhirsvc publishes it
// (hl7.org/fhir/R4/codesystem.html).
type codeSystem struct {
	ResourceType  string          `json:"resourceType"`
	ID            string          `json:"id"`
	Text          *Narrative      `json:"text"`
	URL           string          `json:"url"`
	Version       string          `json:"version"`
	Name          string          `json:"name"`
	Title         string          `json:"title"`
	Status        string          `json:"status"`
	Experimental  bool            `json:"experimental"`
	Publisher     string          `json:"publisher"`
	Description   string          `json:"description"`
	CaseSensitive bool            `json:"caseSensitive"`
	Content       string          `json:"content"`
	Count         int             `json:"count"`
	Property      []csProperty    `json:"property"`
	Concept       []publishedCode `json:"concept"`
}

type csProperty struct {
	Code        string `json:"code"`
	Description string `json:"description"`
	Type        string `json:"type"`
}

type publishedCode struct {
	Code        Code            `json:"code"`
	Display     string          `json:"display"`
	Definition  string          `json:"definition"`
	Designation []csDesignation `json:"designation,omitempty"`
	Property    []csValueUse    `json:"property"`
}

type csDesignation struct {
	Language string `json:"language"`
	Value    string `json:"value"`
}

type csValueUse struct {
	Code      string `json:"code"`
	ValueCode Use    `json:"valueCode"`
}

// CodeSystem writes the local code system as an R4 CodeSystem, from the table that the
// code itself uses.
func CodeSystem() ([]byte, error) {
	var n narrative
	n.para("Codes for the release of a radial compression band", "")
	var list []publishedCode
	for _, c := range Concepts() {
		list = append(list, publishedCode{c.Code, c.Display, c.Definition, american(c.Display), []csValueUse{{"use", c.Use}}})
	}
	return encode(codeSystem{
		ResourceType: "CodeSystem",
		ID:           "radial-compression",
		Text:         n.text(),
		URL:          SystemLocal,
		Version:      Published,
		Name:         "RadialCompression",
		Title:        "Release of a radial compression band",
		Status:       "draft",
		Publisher:    softwareName,
		Description: "Events, Tasks, findings, answers and orders around the stepwise release of a " +
			"pneumatic radial compression band, for which no standard code was found.",
		CaseSensitive: true,
		Content:       "complete",
		Count:         len(list),
		Property:      []csProperty{{"use", "The element in which the code stands.", "code"}},
		Concept:       list,
	})
}

// american gives a display in American spelling, none where it is spelt the same. No other
// language is published: translations would need clinicians who speak them.
func american(display string) []csDesignation {
	spelt := strings.NewReplacer("aematoma", "ematoma", "aemostasis", "emostasis", "olour", "olor").Replace(display)
	if spelt == display {
		return nil
	}
	return []csDesignation{{"en-US", spelt}}
}
