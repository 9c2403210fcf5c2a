// Package post makes the HTTP requests of the channels that speak HTTP, and says what the answers mean for a message.
package post

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"nightwire/alerts"
)

// Client returns a client that follows no redirects: an answer from elsewhere is not the one that was asked, and the
// headers may hold secrets.
func Client() *http.Client {
	return &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
}

// Do posts body and says whether it was taken (2xx), is to be tried again, or was refused for good: 4xx, except 408
// (too slow), 425 (too early) and 429 (too many), as RFC 9110 and RFC 6585 define them; and a redirect, which is an
// address to be mended. A Retry-After is handed on as *alerts.RetryAfterError. Errors name only the host, since paths
// and queries of such addresses are often secrets.
func Do(ctx context.Context, client *http.Client, address string, header http.Header, body []byte) (retry bool, err error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, address, bytes.NewReader(body))
	if err != nil {
		return false, fmt.Errorf("post: the address is not one\nhint: correct it in the farm file")
	}
	req.Header = header
	resp, err := client.Do(req)
	if err != nil {
		return true, fmt.Errorf("post to %s: %w", req.URL.Host, plain(err))
	}
	defer resp.Body.Close()
	said, _ := io.ReadAll(io.LimitReader(resp.Body, 4096)) // for the log; the status has decided
	if resp.StatusCode/100 == 2 {
		return false, nil
	}
	err = fmt.Errorf("post to %s: %s %s", req.URL.Host, resp.Status, shorten(hush(clean(said), req)))
	switch code := resp.StatusCode; {
	case code == http.StatusRequestTimeout, code == http.StatusTooEarly, code == http.StatusTooManyRequests, code >= 500:
		if d, ok := after(resp.Header.Get("Retry-After"), resp.Header.Get("Date")); ok {
			err = &alerts.RetryAfterError{After: d, Err: err}
		}
		return true, err
	}
	return false, err
}

// plain takes the address out of an error of the HTTP client.
func plain(err error) error {
	var ue *url.Error
	if errors.As(err, &ue) {
		return ue.Err
	}
	return err
}

// hush takes out of what a server said all that the request holds and that may be a secret: the credentials, and the
// parts of the address behind its host. Many servers repeat in their answer what they were asked for.
func hush(said string, req *http.Request) string {
	parts := strings.Fields(req.Header.Get("Authorization"))
	for _, uri := range []string{req.URL.RequestURI(), req.URL.Path} {
		parts = append(parts, strings.FieldsFunc(uri, func(r rune) bool { return strings.ContainsRune("/?&=;", r) })...)
	}
	for _, p := range parts {
		if plain, err := url.QueryUnescape(p); err == nil {
			parts = append(parts, plain)
		}
	}
	slices.SortFunc(parts, func(a, b string) int { return len(b) - len(a) }) // one may be a piece of another
	for _, p := range parts {
		if len(p) >= shortestSecret {
			said = strings.ReplaceAll(said, p, "***")
		}
	}
	return said
}

// shortestSecret keeps words as "v1" and "hook" of an address in what is said: nothing so short is a secret.
const shortestSecret = 6

// shorten cuts what would fill a log.
func shorten(said string) string {
	const most = 200
	if len(said) <= most {
		return said
	}
	return strings.ToValidUTF8(said[:most], "")
}

// clean makes what a server said fit for one line of a log.
func clean(b []byte) string {
	return strings.Join(strings.FieldsFunc(strings.ToValidUTF8(string(b), "?"), func(r rune) bool { return r <= ' ' || r == 0x7f }), " ")
}

// after reads a Retry-After (RFC 9110, 10.2.3): seconds, or a date, which counts from the server's own.
func after(value, date string) (time.Duration, bool) {
	if s, err := strconv.ParseUint(value, 10, 31); err == nil {
		return time.Duration(s) * time.Second, true
	}
	until, err := http.ParseTime(value)
	if err != nil {
		return 0, false
	}
	from, err := http.ParseTime(date)
	if err != nil {
		return 0, false
	}
	return max(0, until.Sub(from)), true
}
