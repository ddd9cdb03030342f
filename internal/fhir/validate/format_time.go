package validate

import "time"

// date is YYYY, YYYY-MM or YYYY-MM-DD.
func date(s string) string {
	n, fault := readDate(s)
	if fault == "" && n < len(s) {
		return "write YYYY, YYYY-MM or YYYY-MM-DD"
	}
	return fault
}

// dateTime is a date, or a date with time and offset.
func dateTime(s string) string {
	n, fault := readDate(s)
	if fault != "" || n == len(s) {
		return fault
	}
	if n < len("2006-01-02") || s[n] != 'T' {
		return "write YYYY-MM-DDThh:mm:ss with an offset such as +01:00 or Z"
	}
	return timeWithZone(s[n+1:])
}

// instant is a date with time and offset.
func instant(s string) string {
	n, fault := readDate(s)
	if fault != "" {
		return fault
	}
	if n != len("2006-01-02") || n == len(s) || s[n] != 'T' {
		return "write YYYY-MM-DDThh:mm:ss.sss with an offset such as +01:00 or Z"
	}
	return timeWithZone(s[n+1:])
}

func timeOfDay(s string) string {
	n, fault := readTime(s)
	if fault == "" && n < len(s) {
		return "write hh:mm:ss without an offset"
	}
	return fault
}

// readDate reads the date at the start and gives its length.
func readDate(s string) (int, string) {
	const fault = "write the date as YYYY, YYYY-MM or YYYY-MM-DD"
	year, ok := number(s, 0, 4)
	if !ok || year == 0 {
		return 0, fault
	}
	if len(s) < 5 || s[4] != '-' {
		return 4, ""
	}
	month, ok := number(s, 5, 2)
	if !ok || month < 1 || month > 12 {
		return 0, fault
	}
	if len(s) < 8 || s[7] != '-' {
		return 7, ""
	}
	day, ok := number(s, 8, 2)
	if !ok || day < 1 || day > 31 {
		return 0, fault
	}
	if day > 28 && day > daysIn(year, month) {
		return 0, "there is no such day"
	}
	return 10, ""
}

func daysIn(year, month int) int {
	return time.Date(year, time.Month(month)+1, 0, 0, 0, 0, 0, time.UTC).Day()
}

// readTime reads hh:mm:ss with an optional fraction and gives its length.
func readTime(s string) (int, string) {
	const fault = "write the time as hh:mm:ss"
	hour, okH := number(s, 0, 2)
	minute, okM := number(s, 3, 2)
	second, okS := number(s, 6, 2)
	if !okH || !okM || !okS || s[2] != ':' || s[5] != ':' || hour > 23 || minute > 59 || second > 60 {
		return 0, fault
	}
	if len(s) == 8 || s[8] != '.' {
		return 8, ""
	}
	n := 9
	for n < len(s) && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	if n == 9 {
		return 0, "digits are missing after the point"
	}
	return n, ""
}

func timeWithZone(s string) string {
	n, fault := readTime(s)
	if fault != "" {
		return fault
	}
	zone := s[n:]
	if zone == "Z" {
		return ""
	}
	hour, okH := number(zone, 1, 2)
	minute, okM := number(zone, 4, 2)
	if len(zone) != 6 || zone[0] != '+' && zone[0] != '-' || zone[3] != ':' || !okH || !okM {
		return "a time needs an offset such as +01:00 or Z"
	}
	if hour > 14 || minute > 59 || hour == 14 && minute > 0 {
		return "the offset is at most 14:00"
	}
	return ""
}

// number reads n digits at i.
func number(s string, i, n int) (int, bool) {
	if len(s) < i+n {
		return 0, false
	}
	v := 0
	for _, c := range []byte(s[i : i+n]) {
		if c < '0' || c > '9' {
			return 0, false
		}
		v = v*10 + int(c-'0')
	}
	return v, true
}
