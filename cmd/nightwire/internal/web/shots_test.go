package web

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// TestScreenshots takes pictures for people to look at; it runs when NIGHTWIRE_SHOTS names a folder for them. One page
// is taken by -run 'TestScreenshots/alarmed/home'.
func TestScreenshots(t *testing.T) {
	dir := os.Getenv("NIGHTWIRE_SHOTS")
	if dir == "" {
		t.Skip("skipped: NIGHTWIRE_SHOTS names no folder")
	}
	ctx := chromium(t)
	t.Run("link lost", func(t *testing.T) { pictureLinkLost(t, ctx, dir) })
	stale := newFake()
	stale.stale = 3 * time.Hour
	stale.troubles = []string{"not connected to the broker; no sensor can be heard"}
	for farmName, f := range map[string]*fakeFarm{"calm": newFake().dryTurn(), "alarmed": newFake().alarmed(), "stale": stale} {
		t.Run(farmName, func(t *testing.T) {
			srv := serve(t, options(f))
			for pageName, path := range everyPage() {
				if pageName == "alarm" && farmName != "alarmed" {
					continue
				}
				t.Run(pageName, func(t *testing.T) {
					for _, scheme := range []string{"light", "dark"} {
						for sizeName, w := range screens() {
							png := picture(t, ctx, srv.URL+path, scheme, w[0], w[1])
							name := filepath.Join(dir, pageName+"-"+farmName+"-"+scheme+"-"+sizeName+".png")
							if err := os.WriteFile(name, png, 0o644); err != nil {
								t.Fatal(err)
							}
						}
					}
				})
			}
		})
	}
}

// pictureLinkLost takes the first page after its link has dropped.
func pictureLinkLost(t *testing.T, ctx context.Context, dir string) {
	for sizeName, w := range screens() {
		srv := serve(t, options(newFake().alarmed()))
		b := openTab(t, ctx, srv.URL)
		b.do(chromedp.EmulateViewport(w[0], w[1]))
		b.open("/")
		srv.CloseClientConnections()
		srv.Listener.Close()
		b.comes(`!document.getElementById("old").hidden`)
		png, err := chromedp.Run(b.ctx, chromedp.CaptureScreenshot())
		b.forgive() // the link was cut on purpose
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, "home-linklost-"+sizeName+".png"), png, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// picture returns a screenshot of a page as a screen of that size and colour scheme shows it first.
func picture(t *testing.T, ctx context.Context, url, scheme string, width, height int64) []byte {
	t.Helper()
	err := chromedp.Do(ctx, chromedp.EmulateViewport(width, height), colours(scheme), chromedp.Navigate(url))
	if err != nil {
		t.Fatalf("%s: %v", url, err)
	}
	shot := chromedp.CaptureScreenshot()
	if os.Getenv("NIGHTWIRE_SHOTS_WHOLE") != "" {
		shot = chromedp.FullScreenshot(100)
	}
	png, err := chromedp.Run(ctx, shot)
	if err != nil {
		t.Fatalf("%s: %v", url, err)
	}
	return png
}
