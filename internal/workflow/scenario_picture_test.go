package workflow_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/workflow"
)

// pictured are the stories of which the picture is golden: one for each thing that it has
// to show.
func pictured() []string {
	return []string{
		"smooth_diagnostic", "two_bleeds", "count_contradicts", "missing_initial_volume", "order_to_hold", "transfer",
		"band_replaced", "late_check", "occluded_at_empty", "stopped_with_band_on",
	}
}

// told plays a story to its last line.
func told(t *testing.T, path string) *story {
	var s *story
	playStory(t, path, func(x *story) { s = x })
	return s
}

// canary is a name that nobody has.
const canary = "Quendrelle"

// sign puts the name wherever people and their words stand.
func (s *story) sign() {
	for i := range s.e.Findings {
		s.e.Findings[i].By, s.e.Findings[i].Text = canary, canary
	}
	for i := range s.e.Orders {
		s.e.Orders[i].By, s.e.Orders[i].Reason = canary, canary
	}
	for i := range s.e.Tasks {
		s.e.Tasks[i].Owner, s.e.Tasks[i].StatusReason = canary, canary
		s.e.Tasks[i].Notes = []workflow.Note{{Text: canary, By: canary}}
	}
	s.e.Plan.StatusReason = canary
}

func (s *story) picture() []byte {
	c := fhir.Context{
		Episode: "e1", Plan: "plan1", Protocol: s.e.Protocol, NoProtocol: s.e.NoProtocol, Zone: time.FixedZone("", 3600),
		TaskID: func(k workflow.TaskKey) string { return strings.ReplaceAll(k.String(), "/", "-") },
	}
	return fhir.DrawTimeline(s.e.Timeline(), c, s.now)
}

// TestPictures: -update rewrites testdata/fhir/timeline. Look at what was drawn before it is
// committed.
func TestPictures(t *testing.T) {
	for _, name := range pictured() {
		t.Run(name, func(t *testing.T) {
			svg := told(t, filepath.Join("testdata/scenario", name+".txt")).picture()
			path := filepath.Join("../../testdata/fhir/timeline", name+".svg")
			if *updateDocs {
				require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
				require.NoError(t, os.WriteFile(path, svg, 0o644))
			}
			want, err := os.ReadFile(path)
			require.NoError(t, err)
			require.Equal(t, string(want), string(svg))
		})
	}
}

// TestEveryStoryCanBeDrawn: the picture of every story is well-formed XML 1.0 as
// encoding/xml reads it, has its text alternatives (w3.org/TR/svg-aam-1.0: a title names, a
// desc describes), tells every finding in its list, names nobody, and loads and runs nothing.
func TestEveryStoryCanBeDrawn(t *testing.T) {
	paths, err := filepath.Glob("testdata/scenario/*.txt")
	require.NoError(t, err)
	require.Greater(t, len(paths), 60)
	for _, path := range paths {
		t.Run(filepath.Base(path), func(t *testing.T) {
			s := told(t, path)
			if len(s.e.Events) == 0 {
				return
			}
			s.sign()
			svg := s.picture()
			require.Equal(t, string(svg), string(s.picture()), "the same state gives the same bytes")
			drawn := readPicture(t, svg)
			require.Contains(t, drawn.text["title"][0], "Radial compression band: ")
			require.Contains(t, drawn.text["desc"][0], "Plan ")
			require.Equal(t, []string{"img", "list"}, drawn.roles)
			for _, f := range s.e.Timeline().Findings {
				require.Contains(t, drawn.items, f.When().In(time.FixedZone("", 3600)).Format("15:04"), f.Code)
			}
			for _, word := range []string{canary, "nurse", "operator", "Dr ", "<script", "href", "url(http", "style=", "@import", "onload"} {
				require.NotContains(t, string(svg), word)
			}
		})
	}
}

// drawing is a picture as a reader finds it.
type drawing struct {
	text  map[string][]string // by element
	roles []string            // of groups, without listitem
	items string              // all that is in the list
}

func readPicture(t *testing.T, svg []byte) drawing {
	d := xml.NewDecoder(bytes.NewReader(svg))
	out := drawing{text: map[string][]string{}}
	var open []string
	ids, item := map[string]bool{}, 0
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return out
		}
		require.NoError(t, err)
		switch token := token.(type) {
		case xml.StartElement:
			open = append(open, token.Name.Local)
			for _, a := range token.Attr {
				switch {
				case a.Name.Local == "id":
					require.False(t, ids[a.Value], "the id %s stands twice", a.Value)
					ids[a.Value] = true
				case a.Name.Local == "role" && a.Value == "listitem":
					item++
				case a.Name.Local == "role":
					out.roles = append(out.roles, a.Value)
				case strings.HasPrefix(a.Name.Local, "aria-labelledby"), strings.HasPrefix(a.Name.Local, "aria-describedby"):
					require.Contains(t, string(svg), ` id="`+a.Value+`"`)
				}
			}
		case xml.EndElement:
			open = open[:len(open)-1]
		case xml.CharData:
			if words := strings.TrimSpace(string(token)); words != "" {
				name := open[len(open)-1]
				out.text[name] = append(out.text[name], words)
				if item > 0 {
					out.items += words + "\n"
				}
			}
		}
	}
}
