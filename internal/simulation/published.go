package simulation

import (
	"fmt"
	"io"
	"strings"
	"time"
)

// Row sets a figure of the simulation beside a published one. The published figures come
// from abstracts and conference reports: other bands, volumes and patients.
type Row struct {
	Measure   string
	Here      string // "" when it is that of the row above
	Published string
	Source    string
}

// Compare sets figures beside the published ones.
func Compare(f Figures) []Row {
	return []Row{
		{"first release, min", f.FirstRelease.text(), "60 or 120", "US teaching-hospital page: diagnostic, intervention"},
		{"last release, min", f.LastRelease.text(), "90 to 270", "published ward protocols, as planned"},
		{"band time, min", f.BandTime.text(), "113", "STAT2, SCAI 2021: band alone, from 60 min"},
		{"", "", "142, then 125", "BGS 3629: goal 120, before and after prompts"},
		{"", "", "median 180", "DISCO RADIAL 2022: conventional access"},
		{"", "", "201 ± 43", "Oman RCT (NCT03380065): from 120 min, 4 mL every 15"},
		{"", "", "274 ± 54", "Oman RCT (NCT03380065): from 60 min, 2 mL every 30"},
		{"above 240 min, %", percent(f.Long), "-", "occlusion OR 5.12 above 4 h: SCAI 2019 abstract"},
		{"bled under the band, %", percent(f.Bled), "2", "Edris 2015: re-inflation"},
		{"", "", "19, 8", "Tuttle 2019: from 60 min, from 120 min"},
		{"", "", "67.3", "STAT2, SCAI 2021: from 60 min"},
		{"bleeds in those that bled", fmt.Sprintf("%.1f", f.BleedsIfAny), "2.3", "STAT2, SCAI 2021: re-inflations"},
		{"bled after removal, %", percent(f.Rebled), "1.6 to 7.9", "OPEN-Radial 2020: rebound bleeding"},
		{"air put back, times", f.Loops.text(), "-", ""},
		{"eased, times", f.Eases.text(), "-", ""},
		{"open at first test, %", percent(f.Patent), "74", "PROPHET-II 2016"},
		{"", "", "94.4", "DISCO RADIAL 2022"},
		{"occluded after removal, %", percent(f.Occluded), "7.7", "Rashid 2016: pooled, within 24 h"},
		{"", "", "0.91", "DISCO RADIAL 2022"},
		{"visits of nurses", f.Visits.text(), "-", ""},
		{"  where nothing happened", f.SmoothVisits.text(), "-", ""},
		{"charted late, in one go", f.Batches.text(), "-", ""},
		{"Tasks that became overdue", f.Late.text(), "-", ""},
		{"calls for lateness", f.Calls.text(), "-", ""},
		{"reviews by a clinician", f.Reviews.text(), "-", ""},
		{"discharge check, min", f.Discharge.text(), "240 to 360", "SPIRIT OF ARTEMIS record: 4 to 6 h"},
	}
}

// text is a distribution in one cell: mean ± SD, median, the middle 80 %.
func (d Distribution) text() string {
	form := "%.0f ± %.0f, median %.0f, 80 %% in %.0f-%.0f"
	if d.Mean < 10 {
		form = "%.1f ± %.1f, median %.0f, 80 %% in %.0f-%.0f"
	}
	return fmt.Sprintf(form, d.Mean, d.SD, d.Median, d.P10, d.P90)
}

func percent(share float64) string { return fmt.Sprintf("%.1f", 100*share) }

// WriteTable writes the rows as aligned columns.
func WriteTable(w io.Writer, rows []Row) error {
	all := append([]Row{{"measure", "here", "published", "source"}}, rows...)
	for _, r := range all {
		line := fmt.Sprintf("%-26s  %-40s  %-13s  %s", r.Measure, r.Here, r.Published, r.Source)
		if _, err := fmt.Fprintln(w, strings.TrimRight(line, " ")); err != nil {
			return err
		}
	}
	return nil
}

// The histogram: a line each quarter of an hour, all from eight hours on in one.
const (
	binWidth = 15 * time.Minute
	lastBin  = int(8 * time.Hour / binWidth)
	barWidth = 50
)

// WriteHistogram draws the band times, in minutes, of the episodes without a fault; the
// longest bar has 50 marks.
func WriteHistogram(w io.Writer, results []Result) error {
	var counts [lastBin + 1]int
	first, last, most := lastBin, 0, 0
	for _, r := range results {
		if r.Fault != "" {
			continue
		}
		bin := min(int(r.BandTime/binWidth), lastBin)
		counts[bin]++
		first, last, most = min(first, bin), max(last, bin), max(most, counts[bin])
	}
	for bin := first; bin <= last; bin++ {
		bar := strings.Repeat("#", (counts[bin]*barWidth+most-1)/most)
		line := fmt.Sprintf("%-11s %6d  %s", binText(bin), counts[bin], bar)
		if _, err := fmt.Fprintln(w, strings.TrimRight(line, " ")); err != nil {
			return err
		}
	}
	return nil
}

func binText(bin int) string {
	from := int((time.Duration(bin) * binWidth).Minutes())
	if bin == lastBin {
		return fmt.Sprintf("%d or more", from)
	}
	return fmt.Sprintf("%d-%d", from, from+int(binWidth.Minutes()))
}
