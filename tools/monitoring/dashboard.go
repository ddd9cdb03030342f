package main

import (
	"encoding/json"
	"fmt"
	"os"
	"strings"
)

// board is a dashboard, as far as it is looked at (grafana.com/docs/grafana/latest/visualizations/dashboards/build-dashboards/view-dashboard-json-model).
type board struct {
	Title      string  `json:"title"`
	UID        string  `json:"uid"`
	Panels     []panel `json:"panels"`
	Templating struct {
		List []struct {
			Name  string `json:"name"`
			Type  string `json:"type"`
			Query any    `json:"query"`
		} `json:"list"`
	} `json:"templating"`
}

type panel struct {
	ID          int    `json:"id"`
	Type        string `json:"type"`
	Title       string `json:"title"`
	Description string `json:"description"`
	FieldConfig struct {
		Defaults struct {
			Unit string `json:"unit"`
		} `json:"defaults"`
	} `json:"fieldConfig"`
	GridPos struct {
		H, W, X, Y int
	} `json:"gridPos"`
	Targets []struct {
		Expr string `json:"expr"`
	} `json:"targets"`
}

// filled stands for what the dashboard's variables are replaced by before a query is made.
var filled = strings.NewReplacer("$__rate_interval", "5m", "$__range", "1h", "$job", "fhirsvc", "$namespace", "cardiology")

func dashboard(file, metrics string) error {
	text, err := os.ReadFile(file)
	if err != nil {
		return err
	}
	var b board
	if err := json.Unmarshal(text, &b); err != nil {
		return fmt.Errorf("%s: %w", file, err)
	}
	documented, err := readCatalogue(metrics)
	if err != nil {
		return err
	}
	faults, expressions := b.faults(documented)
	return report(fmt.Sprintf("%s: %d expressions in %d panels", file, expressions, len(b.Panels)), faults)
}

// faults says what is wrong with the panels: one without a title, a description or a unit, with
// the place of another, or with an expression that is none or asks what is not documented.
func (b *board) faults(documented catalogue) (faults []string, expressions int) {
	ids, cells := map[int]bool{}, map[[2]int]string{}
	for _, p := range b.Panels {
		if ids[p.ID] {
			faults = append(faults, fmt.Sprintf("%s: the id %d is another panel's", p.Title, p.ID))
		}
		ids[p.ID] = true
		for y := p.GridPos.Y; y < p.GridPos.Y+p.GridPos.H; y++ {
			for x := p.GridPos.X; x < p.GridPos.X+p.GridPos.W; x++ {
				if other := cells[[2]int{x, y}]; other != "" || x >= 24 {
					faults = append(faults, fmt.Sprintf("%s: no room at %d, %d (%s)", p.Title, x, y, other))
				}
				cells[[2]int{x, y}] = p.Title
			}
		}
		if p.Type == "row" || p.Type == "text" {
			continue
		}
		if p.Title == "" || p.Description == "" || p.FieldConfig.Defaults.Unit == "" || len(p.Targets) == 0 {
			faults = append(faults, fmt.Sprintf("panel %d %q: wants a title, a description, a unit and an expression", p.ID, p.Title))
		}
		for _, t := range p.Targets {
			expressions++
			for _, fault := range documented.faults(filled.Replace(t.Expr)) {
				faults = append(faults, p.Title+": "+fault)
			}
		}
	}
	if b.Title == "" || b.UID == "" || expressions == 0 {
		faults = append(faults, "the dashboard wants a title, a uid and an expression")
	}
	return faults, expressions
}
