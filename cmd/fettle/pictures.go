//go:build ignore

// Draws the pictures of the README anew from the embedded demo, with a real Chromium:
//
//	go run cmd/fettle/pictures.go
package main

import (
	"context"
	"log"
	"net/http/httptest"
	"os"
	"path/filepath"
	"time"

	"github.com/chromedp/chromedp"

	"fettle/examples"
	"fettle/internal/daybook"
	"fettle/internal/live"
	"fettle/internal/work"
)

func main() {
	shelf := live.Demo(&work.Runner{Cache: work.DefaultCache()})
	defer shelf.Close()
	book, ok := shelf.Book(examples.Demo)
	if !ok {
		log.Fatal("the demo is not embedded")
	}
	if _, err := book.Proved(context.Background()); err != nil {
		log.Fatal(err)
	}
	d := daybook.New(shelf, daybook.Settings{})
	defer d.Close()
	server := httptest.NewServer(d)
	defer server.Close()
	ctx, stop := chromedp.NewContext(context.Background())
	defer stop()
	ctx, stop = context.WithTimeout(ctx, 2*time.Minute)
	defer stop()
	for _, p := range []struct {
		name, path    string
		width, height int64
	}{
		{"daybook.png", "outputs", 1280, 1060},
		{"sheet.png", "sheet", 1000, 1280},
	} {
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(p.width, p.height), chromedp.Navigate(server.URL+"/b/"+examples.Demo+"/"+p.path)); err != nil {
			log.Fatal(err)
		}
		png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
		if err == nil {
			err = os.WriteFile(filepath.Join("docs", p.name), png, 0o644)
		}
		if err != nil {
			log.Fatal(err)
		}
	}
}
