package farm

import (
	"testing"
	"time"
)

func TestReadWhen(t *testing.T) {
	dublin, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 4, 20, 9, 15, 0, 0, time.UTC) // 10:15 there
	for _, tt := range []struct{ in, want string }{
		{"08:30", "2026-04-20T07:30:00Z"},
		{"2026-04-18", "2026-04-18T11:00:00Z"},
		{"2026-04-20", "2026-04-20T09:15:00Z"},
		{"2026-04-21", "2026-04-21T11:00:00Z"},
		{"2026-03-01 12:30", "2026-03-01T12:30:00Z"},
		{"2026-04-18T06:45", "2026-04-18T05:45:00Z"},
		{"2026-04-18T06:45:00Z", "2026-04-18T06:45:00Z"},
		{"noon", ""}, {"24:30", ""}, {"20.4.2026", ""}, {"", ""},
	} {
		got, ok := ReadWhen(tt.in, now, dublin)
		if ok != (tt.want != "") || ok && got.UTC().Format(time.RFC3339) != tt.want {
			t.Errorf("%q is %s, %t; want %q", tt.in, got.UTC().Format(time.RFC3339), ok, tt.want)
		}
	}
}
