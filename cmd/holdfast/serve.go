package main

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"sync"
	"time"

	"holdfast/internal/report"
	"holdfast/internal/web"
)

// serveVerb serves the pages.
type serveVerb struct {
	Rig    string   `arg:"" optional:"" help:"Rig file that the pages begin with."`
	Addr   string   `default:"127.0.0.1:8346" placeholder:"HOST:PORT" help:"Address to listen on; port 0 takes a free one."`
	Folder []string `sep:"none" placeholder:"DIR" help:"A folder that the pages may look into. May be repeated."`
	Keep   string   `placeholder:"DIR" help:"Where dropped frames, answers and notes stay. Otherwise a folder of holdfast's own among your settings."`
	Open   bool     `help:"Open the first page in a browser."`
	LAN    bool     `name:"lan" help:"Let a phone on the same network in, by a code that is printed here."`
}

// Help is shown with --help.
func (serveVerb) Help() string {
	return "The pages are served to this machine alone unless --lan is given, and nothing is sent anywhere. They read the folders named and write into --keep only. Ctrl-C stops."
}

// Run serves until it is interrupted.
func (v *serveVerb) Run(s *session) error {
	cfg := web.Config{Rig: v.Rig, Addr: v.Addr, Folders: v.Folder, Keep: v.Keep, LAN: v.LAN, Version: versionText(), Now: time.Now}
	var mu sync.Mutex
	cfg.Say = func(format string, args ...any) {
		mu.Lock()
		defer mu.Unlock()
		fmt.Fprintf(s.stdout, format+"\n", args...)
	}
	if cfg.Keep == "" {
		base, err := os.UserConfigDir()
		if err != nil {
			return s.failed(errors.New("no folder for settings is known here: name one with --keep"), report.Notes{})
		}
		cfg.Keep = filepath.Join(base, "holdfast")
	}
	if v.LAN && v.Addr == "127.0.0.1:8346" {
		cfg.Addr = "0.0.0.0:8346"
	}
	if v.Rig != "" {
		if _, err := (rigFlags{Rig: v.Rig}).task(s).Load(); err != nil {
			return s.failed(err, report.Notes{})
		}
	}
	server, err := web.New(cfg)
	if err != nil {
		return s.failed(err, report.Notes{})
	}
	err = server.Serve(s.ctx, func(url string) {
		cfg.Say("holdfast is at %s", url)
		cfg.Say("kept in %s; Ctrl-C stops", cfg.Keep)
		if v.Open {
			if err := browse(url); err != nil {
				cfg.Say("no browser could be opened: open the address by hand")
			}
		}
	})
	if err != nil {
		return s.failed(err, report.Notes{})
	}
	return nil
}

// browse opens an address in the browser of whoever is at the machine.
func browse(url string) error {
	switch runtime.GOOS {
	case "darwin":
		return exec.Command("open", url).Start()
	case "windows":
		return exec.Command("rundll32", "url.dll,FileProtocolHandler", url).Start()
	}
	return exec.Command("xdg-open", url).Start()
}
