package notify

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func newSigner(t testing.TB, now *time.Time) *Signer {
	t.Helper()
	s, err := OpenSigner(filepath.Join(t.TempDir(), "links.key"), func() time.Time { return *now })
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestToken(t *testing.T) {
	now := clock(t, "21 02:10")
	s := newSigner(t, &now)
	token := s.Token([]string{"x", "y"}, "Orla ó Brien|\n", now.Add(time.Hour))
	if !regexp.MustCompile(`^[A-Za-z0-9_-]+\.[A-Za-z0-9_-]+$`).MatchString(token) {
		t.Errorf("%s does not go into an address as it is", token)
	}
	alarms, person, err := s.Verify(token)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"x", "y", "Orla ó Brien|\n"}, append(alarms, person)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if alarm, _, err := s.Check(token); err != nil || alarm != "x\ny" {
		t.Errorf("got %q, %v", alarm, err)
	}
}

func TestTokenRefused(t *testing.T) {
	now := clock(t, "21 02:10")
	s, other := newSigner(t, &now), newSigner(t, &now)
	good := s.Token([]string{"x"}, "Orla", now.Add(time.Hour))
	payload, mac, _ := strings.Cut(good, ".")
	elsewhere, _, _ := strings.Cut(s.Token([]string{"y"}, "Orla", now.Add(time.Hour)), ".")
	for _, tt := range []struct{ name, token string }{
		{"empty", ""}, {"no dot", payload + mac}, {"another's key", other.Token([]string{"x"}, "Orla", now.Add(time.Hour))},
		{"another alarm under this signature", elsewhere + "." + mac}, {"signature cut", payload + "." + mac[:20]},
		{"no signature", payload + "."}, {"ended", s.Token([]string{"x"}, "Orla", now)},
		{"no alarm", s.Token(nil, "Orla", now.Add(time.Hour))}, {"far too long", strings.Repeat("A", maxToken) + good},
		{"trailing bits changed", payload + "." + mac[:len(mac)-1] + "_"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if _, _, err := s.Verify(tt.token); !errors.Is(err, ErrLink) {
				t.Errorf("got %v, want it refused", err)
			}
		})
	}
	now = now.Add(time.Hour)
	if _, _, err := s.Verify(good); !errors.Is(err, ErrLink) {
		t.Errorf("got %v after its end, want it refused", err)
	}
}

func TestKeyFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "links.key")
	now := clock(t, "21 02:10")
	clk := func() time.Time { return now }
	a, err := OpenSigner(path, clk)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, 0o644); err != nil { // as an unpacked backup may leave it
		t.Fatal(err)
	}
	b, err := OpenSigner(path, clk)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(a.key, b.key) {
		t.Error("the key was made twice")
	}
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if info.Mode().Perm() != 0o600 {
		t.Errorf("the key file has mode %o, want 600", info.Mode().Perm())
	}
	if left, _ := filepath.Glob(filepath.Join(filepath.Dir(path), ".key-*")); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
	if err := os.WriteFile(path, []byte("short"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenSigner(path, clk); err == nil || !strings.Contains(err.Error(), "\nhint: ") {
		t.Errorf("got %v, want a refusal with a hint", err)
	}
	if _, err := OpenSigner(filepath.Join(path, "no", "key"), clk); err == nil {
		t.Error("made a key in no folder")
	}
}

func FuzzVerify(f *testing.F) {
	now := time.Date(2026, 4, 21, 1, 10, 0, 0, time.UTC)
	s := newSigner(f, &now)
	good := s.Token([]string{"x"}, "Orla", now.Add(time.Hour))
	f.Add(good)
	f.Add("e30.AAAA")
	f.Add(".")
	f.Fuzz(func(t *testing.T, token string) {
		if _, _, err := s.Verify(token); err == nil && token != good {
			t.Errorf("%q was taken, and only %q was given out", token, good)
		}
	})
}
