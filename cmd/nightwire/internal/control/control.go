// Package control carries commands to the night watch that runs on this machine: JSON over HTTP on a socket in its
// data folder. Whoever may write to that folder may command the watch; nobody else can reach it, and it needs no
// password, no port and no page.
package control

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// SocketFile is the socket's name within the data folder.
const SocketFile = "control.sock"

// ErrNotRunning means that no watch takes commands in that folder.
var ErrNotRunning = errors.New("no night watch runs on that data folder")

// watch takes in what a person did. It returns when the act is recorded; its error is shown to the person.
type watch interface {
	Act(ctx context.Context, a alerts.Action) error
	// Laid says what the watch goes by.
	Laid() Laid
	// ReadAgain reads the farm file again, and has the watch go by it once begin is called, with which its commands end
	// until it does. An error says why it will not.
	ReadAgain() (begin func(), err error)
}

// Laid is what a watch goes by.
type Laid struct {
	File   string      `json:"file"` // its farm file
	Layout farm.Layout `json:"layout"`
	Since  time.Time   `json:"since"` // by the wall's clock: when it began to, another for each reading of the file
}

// Listen opens the socket in dir. The caller holds the data folder, so a socket that lies there is of a watch that
// died.
func Listen(dir string) (net.Listener, error) {
	path := filepath.Join(dir, SocketFile)
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("clear the way for commands: %w", err)
	}
	ln, err := net.Listen("unix", path)
	if err != nil {
		return nil, fmt.Errorf("take commands at %s: %w\nhint: the path may be too long; a data folder under 90 characters always works", path, err)
	}
	if err := os.Chmod(path, 0o600); err != nil {
		return nil, errors.Join(fmt.Errorf("keep commands to ourselves: %w", err), ln.Close())
	}
	return ln, nil
}

const (
	maxBody   = 64 << 10
	maxAnswer = 8 << 20          // the layout of a farm of ten thousand zones
	timeout   = 30 * time.Second // a slow card may take long to record an act
)

// Handler answers commands with what w says.
func Handler(w watch) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("POST /act", func(out http.ResponseWriter, r *http.Request) {
		var acts []alerts.Action
		if err := json.NewDecoder(http.MaxBytesReader(out, r.Body, maxBody)).Decode(&acts); err != nil {
			http.Error(out, fmt.Sprintf("read the command: %v", err), http.StatusBadRequest)
			return
		}
		for _, a := range acts {
			if err := w.Act(r.Context(), a); err != nil {
				http.Error(out, err.Error(), http.StatusConflict)
				return
			}
		}
		out.WriteHeader(http.StatusNoContent)
	})
	mux.HandleFunc("GET /laid", func(out http.ResponseWriter, _ *http.Request) {
		out.Header().Set("Content-Type", "application/json")
		_ = json.NewEncoder(out).Encode(w.Laid()) // whoever asked may be gone
	})
	mux.HandleFunc("POST /read-again", func(out http.ResponseWriter, _ *http.Request) {
		begin, err := w.ReadAgain()
		if err != nil {
			http.Error(out, err.Error(), http.StatusConflict)
			return
		}
		out.WriteHeader(http.StatusNoContent)
		http.NewResponseController(out).Flush() // whoever asked has the answer before the socket goes
		begin()
	})
	return mux
}

// Act tells the watch on the data folder dir what a person did, one act after the other, and returns when all are
// recorded. It stops at the first that is refused, with the watch's own words.
func Act(ctx context.Context, dir string, acts ...alerts.Action) error {
	body, err := json.Marshal(acts)
	if err != nil {
		return fmt.Errorf("write the command: %w", err)
	}
	_, err = ask(ctx, dir, http.MethodPost, "/act", body)
	return err
}

// AskLaid asks the watch on the data folder dir what it goes by.
func AskLaid(ctx context.Context, dir string) (Laid, error) {
	var l Laid
	text, err := ask(ctx, dir, http.MethodGet, "/laid", nil)
	if err != nil {
		return l, err
	}
	if err := json.Unmarshal(text, &l); err != nil {
		return l, fmt.Errorf("read the night watch's answer: %w", err)
	}
	return l, nil
}

// ReadAgain has the watch on the data folder dir read its farm file again, and returns what it goes by then.
func ReadAgain(ctx context.Context, dir string) (Laid, error) {
	before, err := AskLaid(ctx, dir)
	if err != nil {
		return Laid{}, err
	}
	if _, err := ask(ctx, dir, http.MethodPost, "/read-again", nil); err != nil {
		return Laid{}, err
	}
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return Laid{}, fmt.Errorf("the night watch has not come back with the farm file: %w\nhint: look at its log", ctx.Err())
		case <-tick.C:
		}
		// It takes no commands while it begins anew.
		if now, err := AskLaid(ctx, dir); err == nil && !now.Since.Equal(before.Since) {
			return now, nil
		}
	}
}

// ask sends one command and returns the answer. Its error has the watch's own words.
func ask(ctx context.Context, dir, method, path string, body []byte) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, method, "http://nightwire"+path, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	req.Header.Set("Content-Type", "application/json")
	transport := &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return new(net.Dialer).DialContext(ctx, "unix", filepath.Join(dir, SocketFile))
	}}
	defer transport.CloseIdleConnections()
	answer, err := (&http.Client{Transport: transport}).Do(req)
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ECONNREFUSED) {
		return nil, fmt.Errorf("%w: %s\nhint: start it with nightwire run, or give its folder with --data", ErrNotRunning, dir)
	}
	if err != nil {
		return nil, fmt.Errorf("reach the night watch: %w\nhint: run this as the user that the watch runs as", err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(io.LimitReader(answer.Body, maxAnswer))
	if err != nil {
		return nil, fmt.Errorf("read the night watch's answer: %w", err)
	}
	if answer.StatusCode >= http.StatusBadRequest {
		return nil, errors.New(strings.TrimSpace(string(text)))
	}
	return text, nil
}
