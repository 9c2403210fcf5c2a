package web

import (
	"bufio"
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// stream is a response whose events can be read while they are written.
type stream struct {
	header http.Header
	w      *io.PipeWriter
}

func (s *stream) Header() http.Header              { return s.header }
func (s *stream) WriteHeader(int)                  {}
func (s *stream) Write(b []byte) (int, error)      { return s.w.Write(b) }
func (s *stream) Flush()                           {}
func (s *stream) SetWriteDeadline(time.Time) error { return nil }

// watch opens a live stream and sends the names of its events on a channel, which is closed when the stream ends.
func watch(t *testing.T, ctx context.Context, s *Server) <-chan string {
	t.Helper()
	r, w := io.Pipe()
	names := make(chan string, 100)
	go func() {
		s.live(&stream{http.Header{}, w}, localRequest("/live").WithContext(ctx))
		w.Close()
	}()
	go func() {
		defer close(names)
		for sc := bufio.NewScanner(r); sc.Scan(); {
			if name, ok := strings.CutPrefix(sc.Text(), "event: "); ok {
				names <- name
			}
		}
	}()
	return names
}

// heard empties the channel and counts events by name.
func heard(names <-chan string) map[string]int {
	n := map[string]int{}
	for {
		select {
		case name, ok := <-names:
			if !ok {
				n["end"]++
				return n
			}
			n[name]++
		default:
			return n
		}
	}
}

func TestLiveJoinsChangesAndBeats(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake()
		s, err := New(options(f))
		if err != nil {
			t.Fatal(err)
		}
		names := watch(t, t.Context(), s)
		synctest.Wait()
		if got := heard(names); got["beat"] != 1 {
			t.Fatalf("at first came %v, want a beat", got)
		}
		pass := func(d time.Duration) {
			<-time.After(d)
			synctest.Wait()
		}
		for range 40 { // ten a second for four seconds
			f.changed()
			pass(100 * time.Millisecond)
		}
		if got := heard(names); got["change"] != 1 {
			t.Errorf("a flood of changes came as %v, want one", got)
		}
		pass(2 * time.Second)
		if got := heard(names); got["change"] != 1 {
			t.Errorf("after the flood came %v, want the last change", got)
		}
		pass(time.Minute)
		if got := heard(names); got["change"] != 0 || got["beat"] != 3 {
			t.Errorf("in a quiet minute came %v, want three beats", got)
		}
		f.changed()
		synctest.Wait()
		if got := heard(names); got["change"] != 1 {
			t.Errorf("a change after quiet came as %v, want at once", got)
		}
		s.Close()
		synctest.Wait()
		if got := heard(names); got["end"] != 1 {
			t.Errorf("closing left the stream open: %v", got)
		}
	})
}

func TestLiveIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, err := New(options(newFake()))
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		var all []<-chan string
		for range maxStreams {
			all = append(all, watch(t, ctx, s))
		}
		synctest.Wait()
		rec := httptest.NewRecorder()
		s.live(rec, localRequest("/live"))
		if rec.Code != http.StatusServiceUnavailable {
			t.Errorf("one stream too many got %d, want 503", rec.Code)
		}
		cancel()
		synctest.Wait()
		for _, names := range all {
			if got := heard(names); got["end"] != 1 {
				t.Fatalf("a stream outlived its reader: %v", got)
			}
		}
		names := watch(t, t.Context(), s)
		synctest.Wait()
		if got := heard(names); got["beat"] != 1 {
			t.Errorf("after the others left came %v, want a beat", got)
		}
		s.Close()
		synctest.Wait()
	})
}

func TestLiveEndsWithTheSession(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		opts := options(newFake())
		opts.PasswordHash = "$2a$04$Mq8Ck8PTFMzuGNxlfC1KVeVJ5QwGRiNRTyV4QJ/b0jc8dBVzAUiqu"
		s, err := New(opts)
		if err != nil {
			t.Fatal(err)
		}
		names := watch(t, t.Context(), s) // as if the session had just ended: the request carries none
		<-time.After(liveBeat + time.Second)
		synctest.Wait()
		if got := heard(names); got["end"] != 1 {
			t.Errorf("the stream goes on without a session: %v", got)
		}
	})
}
