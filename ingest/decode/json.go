package decode

import "nightwire/ingest/pulse"

// noneOfOurs says what was looked for in vain in the default form. It is spelled out to keep the fast path free of work.
const noneOfOurs = "none of kv, v, pulses, interval_ms, supply_v, earth_kv, battery_v, rssi, seq"

// parseJSON reads the default payload, a flat object with the keys of Keys. Other keys are skipped, whatever they hold.
func parseJSON(m message) ([]pulse.Reading, error) {
	var f fields
	s := scanner{b: m.body}
	err := s.object(func(key []byte, v value) error {
		if k := slotOf(key); k != unknownKey {
			return f.set(k, key, v)
		}
		return nil
	})
	if err == nil {
		err = s.end()
	}
	if err != nil {
		return nil, err
	}
	return m.one(&f, noneOfOurs)
}
