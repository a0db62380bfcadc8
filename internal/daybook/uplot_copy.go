//go:build ignore

// Copies uPlot as npm brought it (package.json pins it) into what is embedded: as a module, with its licence in front.
// Run it with go generate ./internal/daybook after npm ci.
package main

import (
	"log"
	"os"
	"path/filepath"
)

func main() {
	from := filepath.Join("..", "..", "node_modules", "uplot")
	read := func(name string) []byte {
		data, err := os.ReadFile(filepath.Join(from, filepath.FromSlash(name)))
		if err != nil {
			log.Fatal(err)
		}
		return data
	}
	licence := "/*!\n" + string(read("LICENSE")) + "*/\n"
	for name, data := range map[string]string{
		"uplot.js":  licence + string(read("dist/uPlot.iife.min.js")) + "\nexport default uPlot;\n",
		"uplot.css": licence + string(read("dist/uPlot.min.css")) + "\n",
	} {
		if err := os.WriteFile(name, []byte(data), 0o644); err != nil {
			log.Fatal(err)
		}
	}
}
