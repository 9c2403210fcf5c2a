package app

import (
	"encoding/json"
	"errors"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
)

func TestParseCaptured(t *testing.T) {
	type want struct {
		At       string
		Topic    string
		Payload  string
		Retained bool
	}
	const when = `"tst":"2026-04-20T00:00:01.793965Z+0000"`
	for _, tt := range []struct {
		name string
		line string
		want want
		err  error
	}{
		{name: "object", line: `{` + when + `,"topic":"a/b","qos":1,"retain":0,"payloadlen":11,"payload":{"kv": 8.17}}`,
			want: want{"2026-04-20T00:00:01.793Z", "a/b", `{"kv": 8.17}`, false}},
		{name: "number", line: `{` + when + `,"topic":"a/b","payload":8.17 }`, want: want{"2026-04-20T00:00:01.793Z", "a/b", `8.17`, false}},
		{name: "number in a string", line: `{` + when + `,"topic":"a/b","payload":"8.17"}`, want: want{"2026-04-20T00:00:01.793Z", "a/b", `8.17`, false}},
		{name: "escapes", line: `{"tst":"2026-04-20T00:00:01Z","topic":"a\/b","payload":"{\"kv\":1}"}`, want: want{"2026-04-20T00:00:01Z", "a/b", `{"kv":1}`, false}},
		{name: "array", line: `{` + when + `,"topic":"a","payload":[{"n":"x]","v":1},[2]]}`,
			want: want{"2026-04-20T00:00:01.793Z", "a", `[{"n":"x]","v":1},[2]]`, false}},
		{name: "retained", line: `{` + when + `,"retain":1,"topic":"a","payload":1}`, want: want{"2026-04-20T00:00:01.793Z", "a", "1", true}},
		{name: "no payload", line: `{` + when + `,"topic":"a","payload":null}`, want: want{"2026-04-20T00:00:01.793Z", "a", "", false}},
		{name: "keys in any order, with spaces", line: ` { "payload" : 1 , "x" : {"y":[{}]} , "topic" : "a" , ` + when + ` } `,
			want: want{"2026-04-20T00:00:01.793Z", "a", "1", false}},
		{name: "offset", line: `{"tst":"2026-04-20T01:00:01.5Z+0100","topic":"a","payload":1}`, want: want{"2026-04-20T00:00:01.5Z", "a", "1", false}},
		{name: "cut short", line: `{` + when + `,"topic":"a","payload":{"kv":`, err: errNotObject},
		{name: "more behind it", line: `{` + when + `,"topic":"a","payload":1}}`, err: errNotObject},
		{name: "bytes that are no UTF-8", line: "{" + when + `,"topic":"a","payload":"` + "\x86" + `"}`, want: want{"2026-04-20T00:00:01.793Z", "a", "\x86", false}},
		{name: "no object", line: `kv 8.17`, err: errNotObject},
		{name: "no time", line: `{"topic":"a","payload":1}`, err: errNoTime},
		{name: "wrong time", line: `{"tst":"2026-13-20T00:00:01Z","topic":"a","payload":1}`, err: errNoTime},
		{name: "no topic", line: `{` + when + `,"payload":1}`, err: errNoTopic},
		{name: "payload left out", line: `{` + when + `,"topic":"a"}`, err: errNoPayload},
	} {
		t.Run(tt.name, func(t *testing.T) {
			m, err := parseCaptured([]byte(tt.line))
			if !errors.Is(err, tt.err) {
				t.Fatalf("error is %v, want %v", err, tt.err)
			}
			if err != nil {
				return
			}
			got := want{m.at.Format(time.RFC3339Nano), string(m.topic), string(m.payload), m.retained}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("message (-want +got):\n%s", diff)
			}
		})
	}
}

// FuzzParseCaptured holds the line reader against encoding/json: what that reads as a message, ours reads as the same.
// Bytes that are no UTF-8, and so no JSON (RFC 8259, 8.1), ours leaves as they are: a payload may have them.
func FuzzParseCaptured(f *testing.F) {
	f.Add([]byte(`{"tst":"2026-04-20T00:00:01.793965Z+0000","topic":"alder-bank/brook/kv","qos":1,"retain":0,"payloadlen":11,"payload":{"kv":8.17}}`))
	f.Add([]byte(`{"tst":"2026-04-20T00:00:01Z","topic":"a","payload":"\u00e9\"","retain":1}`))
	f.Add([]byte(`{"payload":[1,2,{"a":"b"}],"topic":"","tst":null}`))
	f.Add([]byte("{\"tst\":\"2026-04-20T00:00:01Z\",\"topic\":\"a\x86b\",\"payload\":1}"))
	f.Fuzz(func(t *testing.T, line []byte) {
		got, err := parseCaptured(line)
		var want map[string]json.RawMessage
		if json.Unmarshal(line, &want) != nil || err != nil {
			return
		}
		if p := want["payload"]; len(p) == 0 {
			t.Errorf("a payload %q where there is none", got.payload)
		}
		var topic string
		if utf8.Valid(line) && json.Unmarshal(want["topic"], &topic) == nil && topic != string(got.topic) {
			t.Errorf("topic %q, want %q", got.topic, topic)
		}
		if got.at.IsZero() {
			t.Error("no time and no error")
		}
	})
}

func TestParseTSTAgreesWithTime(t *testing.T) {
	for _, tt := range []struct{ name, text string }{
		{"leap day", "2028-02-29T23:59:59.999999Z"}, {"no fraction", "2026-01-01T00:00:00Z"}, {"offset", "2026-07-01T12:00:00.25-05:00"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got, ok := parseTST([]byte(tt.text))
			want, err := time.Parse(time.RFC3339Nano, tt.text)
			if err != nil || !ok {
				t.Fatal(ok, err)
			}
			if want = want.Truncate(time.Millisecond); !got.Equal(want) {
				t.Errorf("time is %s, want %s", got, want)
			}
		})
	}
}
