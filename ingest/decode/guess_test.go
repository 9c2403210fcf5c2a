package decode

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"nightwire/ingest/pulse"
)

func TestGuess(t *testing.T) {
	pointers := func(kv ...string) Format {
		f := Format{Kind: "pointer", Pointers: map[string]string{}}
		for i := 0; i < len(kv); i += 2 {
			f.Pointers[kv[i]] = kv[i+1]
		}
		return f
	}
	cases := []struct {
		name, payload string
		want          Format
		volts         float64
	}{
		{"the default", `{"kv":6.4,"seq":3}`, Format{Kind: "auto"}, 6400},
		{"a bare number", `6.4`, Format{Kind: "auto"}, 6400},
		{"named in words", `{"Time":"2026-11-25T10:00:00Z","ENERGY":{"Voltage":6.4,"Battery_V":3.1}}`,
			pointers("kv", "/ENERGY/Voltage", "battery_v", "/ENERGY/Battery_V", "t", "/Time"), 6400},
		{"volts by their size", `{"data":{"fence_voltage":6400}}`, pointers("v", "/data/fence_voltage"), 6400},
		{"an uplink", `{"uplink_message":{"f_cnt":7,"decoded_payload":{"fence_kv":5.2},"rx_metadata":[{"rssi":-110},{"rssi":-90}]}}`,
			pointers("kv", "/uplink_message/decoded_payload/fence_kv", "rssi", "/uplink_message/rx_metadata/0/rssi", "seq", "/uplink_message/f_cnt"), 5200},
		{"the one that is not deep", `{"a":{"peak_kv":1.5},"peak_kv":6.1}`, pointers("kv", "/peak_kv"), 6100},
		{"a key to be escaped", `{"a/b":{"x~kv":6.1}}`, pointers("kv", "/a~1b/x~0kv"), 6100},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got, r, err := Guess([]byte(c.payload), arrived)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Errorf("format (-want +got)\n%s", diff)
			}
			if v, _ := r.Get(pulse.Volts); v != c.volts {
				t.Errorf("volts %v, want %v", v, c.volts)
			}
		})
	}
	for _, payload := range []string{`ON`, `{"temperature":7.1}`, `{"battery_v":3.1}`, ``, `{"kv":"much"}`, `{"fence_kv":`, `[1,2]`, `null`} {
		if f, _, err := Guess([]byte(payload), arrived); err == nil {
			t.Errorf("%s was read by %v", payload, f)
		}
	}
}

// FuzzGuess checks that what a guess proposes reads the payload it was made for.
func FuzzGuess(f *testing.F) {
	f.Add([]byte(`{"a":[{"fence_kv":5.2,"b/c":{"volt":1}}],"ts":3}`))
	f.Add([]byte(`6.4`))
	f.Fuzz(func(t *testing.T, payload []byte) {
		format, r, err := Guess(payload, arrived)
		if err != nil {
			checkText(t, err)
			return
		}
		d, err := New(format)
		if err != nil {
			t.Fatal(err)
		}
		rs, err := d.Decode("", payload, arrived, false)
		if err != nil || len(rs) == 0 || rs[0] != r {
			t.Errorf("%v reads %v, %v; the guess was %v", format, rs, err, r)
		}
	})
}
