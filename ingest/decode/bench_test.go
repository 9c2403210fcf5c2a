package decode

import (
	"encoding/json"
	"testing"
)

// Run with: go test -bench . -benchmem ./ingest/decode
func BenchmarkDecode(b *testing.B) {
	for _, bm := range []struct {
		name, payload string
		format        Format
	}{
		{"number", `8.17`, Format{}},
		{"json short", `{"kv":8.17}`, Format{}},
		{"json full", `{"kv":8.17,"pulses":46,"interval_ms":1302,"supply_v":12.41,"battery_v":3.92,"rssi":-71,"seq":40213,"t":1776643201793}`, Format{}},
		{"json with RFC 3339", `{"kv":8.17,"battery_v":3.92,"t":"2026-04-20T00:00:01.793Z"}`, Format{}},
		{"senml", `[{"bn":"brook/","bt":1776643201,"n":"kv","u":"kV","v":8.17},{"n":"battery_v","u":"V","v":3.92}]`, Format{}},
		{"pointer", `{"end_device_ids":{"device_id":"brook"},"received_at":"2026-04-20T00:00:01Z","uplink_message":{"f_cnt":7,"decoded_payload":{"fence_kv":8.17,"battery_v":3.6},"rx_metadata":[{"rssi":-101}]}}`,
			Format{Kind: "pointer", Pointers: map[string]string{"kv": "/uplink_message/decoded_payload/fence_kv", "rssi": "/uplink_message/rx_metadata/0/rssi"}}},
	} {
		b.Run(bm.name, func(b *testing.B) {
			d, err := New(bm.format)
			if err != nil {
				b.Fatal(err)
			}
			payload := []byte(bm.payload)
			b.ReportAllocs()
			for b.Loop() {
				if _, err := d.Decode("alder-bank/zone/brook", payload, arrived, false); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkStandardLibrary is what encoding/json needs for the short payload, to compare with.
func BenchmarkStandardLibrary(b *testing.B) {
	payload := []byte(`{"kv":8.17}`)
	b.ReportAllocs()
	for b.Loop() {
		var v struct{ KV *float64 }
		if err := json.Unmarshal(payload, &v); err != nil {
			b.Fatal(err)
		}
	}
}
