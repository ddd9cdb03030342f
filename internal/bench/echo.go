package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"

	"github.com/labstack/echo/v4"
)

// runEcho is echo alone: it reads a body, parses it as JSON and writes it back.
func runEcho(ctx context.Context) error {
	e := echo.New()
	e.HideBanner, e.HidePort = true, true
	e.POST("/fhir/:type", func(c echo.Context) error {
		var body map[string]json.RawMessage
		if err := json.NewDecoder(c.Request().Body).Decode(&body); err != nil {
			return err
		}
		return c.JSON(http.StatusCreated, body)
	})
	var err error
	if e.Listener, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		return err
	}
	fmt.Fprintf(os.Stderr, "address=http://%s \n", e.Listener.Addr())
	go func() {
		<-ctx.Done()
		_ = e.Close() // the end of the process ends its connections, too
	}()
	if err := e.Start(""); err != http.ErrServerClosed { //nolint:errorlint // net/http gives this very value
		return err
	}
	return nil
}
