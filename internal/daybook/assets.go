package daybook

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"net/http"
	"path"
	"strings"

	"fettle/internal/draw"
	"fettle/internal/render"
	"fettle/internal/sheet"
)

//go:embed *.css *.js
var assetFiles embed.FS

// An asset is a file that pages load: its address names its content, so a browser may keep it for good.
type asset struct {
	address, kind string
	data          []byte
}

//go:generate go run uplot_copy.go

// assets are the files that pages load, by name.
var assets = func() map[string]asset {
	m := map[string]asset{}
	add := func(name, kind string, data []byte) {
		sum := sha256.Sum256(data)
		ext := path.Ext(name)
		m[name] = asset{"/assets/" + strings.TrimSuffix(name, ext) + "-" + hex.EncodeToString(sum[:6]) + ext, kind, data}
	}
	var own []byte
	for _, name := range []string{"uplot.css", "daybook.css"} {
		css, err := assetFiles.ReadFile(name)
		if err != nil {
			panic(err) // it is embedded
		}
		own = append(own, css...)
	}
	add("daybook.css", "text/css; charset=utf-8", []byte(string(render.CSS)+draw.CSS+string(sheet.CSS)+string(own)))
	entries, err := assetFiles.ReadDir(".")
	if err != nil {
		panic(err)
	}
	for _, e := range entries {
		if strings.HasSuffix(e.Name(), ".js") {
			data, err := assetFiles.ReadFile(e.Name())
			if err != nil {
				panic(err)
			}
			add(e.Name(), "text/javascript; charset=utf-8", data)
		}
	}
	return m
}()

// serveAsset answers with an asset; an address of other content is not found.
func (d *Daybook) serveAsset(w http.ResponseWriter, r *http.Request) {
	for _, a := range assets {
		if a.address == r.URL.Path {
			w.Header().Set("Content-Type", a.kind)
			w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
			_, _ = w.Write(a.data) // a browser that has gone needs no answer
			return
		}
	}
	http.NotFound(w, r)
}
