package main

import (
	"log/slog"
	"os"
	"os/user"
	"strconv"
	"time"

	"github.com/google/uuid"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/validate"
	"fhirsvc/internal/store"
)

// auditorOf records what commands do to a store.
func auditorOf(st store.Store) *episode.Auditor {
	return episode.NewAuditor(episode.AuditorOptions{
		Store: st, Outgoing: validate.New(profiles.Outgoing()), Clock: time.Now, Log: slog.New(slog.DiscardHandler),
	})
}

// commandAccess is how an act of a command is recorded, as far as is known who runs it: the
// account and the machine. In a container that is what the image and the pod are called.
func commandAccess(command string) fhir.Access {
	a := fhir.Access{Client: command, Trace: uuid.NewString(), User: account(), Outcome: fhir.AccessSuccess}
	a.Host, _ = os.Hostname() // "" where the machine has no name
	return a
}

// account is the name of the account that runs this, or its number where it has no name.
func account() string {
	u, err := user.Current()
	if err != nil || u.Username == "" {
		return "uid " + strconv.Itoa(os.Getuid())
	}
	return u.Username
}
