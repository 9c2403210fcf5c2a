package web

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// TestScreenshots takes pictures for people to look at; it runs when NIGHTWIRE_SHOTS names a folder for them.
func TestScreenshots(t *testing.T) {
	dir := os.Getenv("NIGHTWIRE_SHOTS")
	if dir == "" {
		t.Skip("skipped: NIGHTWIRE_SHOTS names no folder")
	}
	ctx := chromium(t)
	pages := map[string]string{"home": "/"}
	for farmName, f := range map[string]*fakeFarm{"calm": newFake(), "alarmed": newFake().alarmed()} {
		srv := serve(t, options(f))
		for pageName, path := range pages {
			for _, scheme := range []string{"light", "dark"} {
				for sizeName, w := range map[string][2]int64{"phone": {390, 844}, "desk": {1280, 800}} {
					var png []byte
					err := chromedp.Run(ctx,
						chromedp.EmulateViewport(w[0], w[1]),
						emulation.SetEmulatedMedia().WithFeatures([]*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}),
						chromedp.Navigate(srv.URL+path), chromedp.CaptureScreenshot(&png))
					if err != nil {
						t.Fatalf("%s: %v", path, err)
					}
					name := filepath.Join(dir, pageName+"-"+farmName+"-"+scheme+"-"+sizeName+".png")
					if err := os.WriteFile(name, png, 0o644); err != nil {
						t.Fatal(err)
					}
				}
			}
		}
	}
}
