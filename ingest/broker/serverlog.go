package broker

import (
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/time/rate"
)

// serverLog turns the server's lines into ours. The server says at error level what one wrong client did, so those
// become warnings, and no more of them than anyone would read: a sensor with a wrong password tries all night.
type serverLog struct {
	log        *slog.Logger
	fatal      *firstError
	noRoom     chan<- error
	limit      *rate.Limiter
	suppressed atomic.Int64
}

func newServerLog(log *slog.Logger, fatal *firstError, noRoom chan<- error) *serverLog {
	return &serverLog{log: log, fatal: fatal, noRoom: noRoom, limit: rate.NewLimiter(rate.Every(time.Minute), 5)}
}

func (l *serverLog) Fatalf(format string, v ...any) { l.fatal.set(fmtError(format, v)) }

func (l *serverLog) Errorf(format string, v ...any) {
	if err := errorIn(v); err != nil && unwritable(err) {
		select {
		case l.noRoom <- err:
		default: // already told
		}
		return // heal says it once, in words
	}
	l.warn(format, v)
}

func (l *serverLog) Warnf(format string, v ...any) {
	if strings.HasPrefix(format, "Plaintext passwords") {
		return // the anonymous user's, which is none
	}
	l.warn(format, v)
}

func (l *serverLog) warn(format string, v []any) {
	if !l.limit.Allow() {
		l.suppressed.Add(1)
		return
	}
	l.log.Warn("broker reports", "detail", fmt.Sprintf(format, v...), "suppressed", l.suppressed.Swap(0))
}

// Noticef and the rest are the server talking about itself.
func (l *serverLog) Noticef(format string, v ...any) {
	l.log.Debug("broker reports", "detail", fmt.Sprintf(format, v...))
}
func (l *serverLog) Debugf(string, ...any) {}
func (l *serverLog) Tracef(string, ...any) {}

// errorIn returns the last error among the arguments of a log line.
func errorIn(v []any) (err error) {
	for _, a := range v {
		if e, ok := a.(error); ok {
			err = e
		}
	}
	return err
}

// fmtError is fmt.Errorf for a format that says %v where it should say %w.
func fmtError(format string, v []any) error {
	return &toldError{text: fmt.Sprintf(format, v...), cause: errorIn(v)}
}

type toldError struct {
	text  string
	cause error
}

func (e *toldError) Error() string { return e.text }
func (e *toldError) Unwrap() error { return e.cause }

// firstError keeps the first error it is given.
type firstError struct {
	mu  sync.Mutex
	err error
}

func (f *firstError) set(err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.err == nil {
		f.err = err
	}
}

func (f *firstError) get() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.err
}
