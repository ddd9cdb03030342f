package main

import (
	"fmt"
	"runtime/debug"
	"time"
)

// version is the module's version and the commit that it was built from.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	commit := buildSetting(info, "vcs.revision")
	if commit == "" {
		return info.Main.Version
	}
	if buildSetting(info, "vcs.modified") == "true" {
		commit = fmt.Sprintf("%.12s+changes", commit)
	}
	return fmt.Sprintf("%s (%.20s)", info.Main.Version, commit)
}

// built is the instant of the commit, zero if it is not known.
func built() time.Time {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return time.Time{}
	}
	t, err := time.Parse(time.RFC3339, buildSetting(info, "vcs.time"))
	if err != nil {
		return time.Time{}
	}
	return t
}

func buildSetting(info *debug.BuildInfo, key string) string {
	for _, s := range info.Settings {
		if s.Key == key {
			return s.Value
		}
	}
	return ""
}
