package sandbox

import (
	"fmt"
	"regexp"
	"strconv"
	"time"
)

// parseDuration reads an ISO 8601 duration of days, hours, minutes and seconds, such as
// P1DT2H or PT15M. Years and months have no fixed length and are refused. Negative ones
// are read, so that the answer can say that the clock only goes forward.
func parseDuration(text string) (time.Duration, error) {
	pattern := regexp.MustCompile(`^(-?)P(?:(\d{1,3})D)?(?:T(?:(\d{1,4})H)?(?:(\d{1,6})M)?(?:(\d{1,8})S)?)?$`)
	m := pattern.FindStringSubmatch(text)
	if m == nil || m[2]+m[3]+m[4]+m[5] == "" {
		return 0, fmt.Errorf("duration %q: want days, hours, minutes or seconds such as PT15M or P1DT2H", text)
	}
	var d time.Duration
	for i, unit := range []time.Duration{24 * time.Hour, time.Hour, time.Minute, time.Second} {
		if m[i+2] == "" {
			continue
		}
		n, err := strconv.Atoi(m[i+2])
		if err != nil {
			return 0, fmt.Errorf("duration %q: %w", text, err)
		}
		d += time.Duration(n) * unit
	}
	if m[1] == "-" {
		d = -d
	}
	return d, nil
}
