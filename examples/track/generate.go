//go:build ignore

// The generator of the recordings in this folder: every schedule as an instrument that looks every half microsecond records
// it. Run by go generate in the folder above.
package main

import (
	"bytes"
	"compress/gzip"
	"log"
	"os"
	"path/filepath"
	"strings"

	"fettle/internal/dcc"
	"fettle/internal/unit"
)

// step is also that of the test which holds the files against their schedules.
const step = 500 * unit.Nanosecond

func main() {
	names, err := filepath.Glob("track/*.schedule")
	if err != nil || len(names) == 0 {
		log.Fatal("no track/*.schedule here: run it by go generate ./examples")
	}
	for _, name := range names {
		src, err := os.ReadFile(name)
		if err != nil {
			log.Fatal(err)
		}
		plan, list := dcc.ParseSchedule(name, src)
		if len(list) > 0 {
			log.Fatal(list)
		}
		source, err := plan.Source()
		if err != nil {
			log.Fatal(err)
		}
		var out bytes.Buffer
		z, _ := gzip.NewWriterLevel(&out, gzip.BestCompression)
		if err := dcc.WriteHalves(z, dcc.Sampled(source, step)); err != nil {
			log.Fatal(err)
		}
		if err := z.Close(); err != nil {
			log.Fatal(err)
		}
		if err := os.WriteFile(strings.TrimSuffix(name, ".schedule")+".csv.gz", out.Bytes(), 0o666); err != nil {
			log.Fatal(err)
		}
	}
}
