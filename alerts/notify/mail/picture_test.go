package mail

import (
	"bytes"
	"encoding/base64"
	"io"
	"mime"
	"mime/multipart"
	"net/mail"
	"testing"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// TestPictureIsAttached reads a mail with a picture as a mail program would (RFC 2046).
func TestPictureIsAttached(t *testing.T) {
	ch, err := New(Config{Host: "127.0.0.1", Security: None, From: "fence@alder-bank.example"})
	if err != nil {
		t.Fatal(err)
	}
	picture := bytes.Repeat([]byte{0x89, 'P', 'N', 'G'}, 1000)
	l, err := ch.letter(alerts.Message{Key: "k", Farm: "alder-bank", Person: "Orla", Subject: "All hot.", Body: "All hot.\n",
		Route:   farm.Route{Channel: "mail", Address: "orla@alder-bank.example"},
		Picture: &alerts.Picture{Name: "season.png", Type: "image/png", Data: picture}})
	if err != nil {
		t.Fatal(err)
	}
	var raw bytes.Buffer
	if _, err := l.WriteTo(&raw); err != nil {
		t.Fatal(err)
	}
	m, err := mail.ReadMessage(&raw)
	if err != nil {
		t.Fatal(err)
	}
	_, params, err := mime.ParseMediaType(m.Header.Get("Content-Type"))
	if err != nil {
		t.Fatal(err)
	}
	parts := multipart.NewReader(m.Body, params["boundary"])
	first, err := parts.NextPart()
	if err != nil {
		t.Fatal(err)
	}
	if text, err := io.ReadAll(first); err != nil || !bytes.Contains(text, []byte("All hot.")) {
		t.Errorf("the first part is %q, %v; want the text", text, err)
	}
	second, err := parts.NextPart()
	if err != nil {
		t.Fatal(err)
	}
	data, err := io.ReadAll(base64.NewDecoder(base64.StdEncoding, second))
	if err != nil || !bytes.Equal(data, picture) || second.FileName() != "season.png" {
		t.Errorf("attached is %s of %d bytes, %v; want season.png of %d", second.FileName(), len(data), err, len(picture))
	}
	if kind, _, _ := mime.ParseMediaType(second.Header.Get("Content-Type")); kind != "image/png" {
		t.Errorf("attached as %q, want image/png", kind)
	}
}
