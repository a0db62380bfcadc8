package main

import (
	"compress/gzip"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"fettle/internal/build"
	"fettle/internal/dcc"
	"fettle/internal/recording"
	"fettle/internal/wave"
)

// waveFormat is the suffix of a waveform file, .csv or .vcd, packed or not; "" for any other.
func waveFormat(name string) string {
	switch ext := strings.ToLower(filepath.Ext(strings.TrimSuffix(strings.ToLower(name), ".gz"))); ext {
	case ".csv", ".vcd":
		return ext
	}
	return ""
}

// takeWaves takes the waveform files out of the outputs.
func (a *app) takeWaves() (waves []string, err error) {
	var rest []string
	for _, name := range a.outputs {
		if waveFormat(name) == "" {
			rest = append(rest, name)
			continue
		}
		if err := folderOf(name); err != nil {
			return nil, err
		}
		waves = append(waves, name)
	}
	a.outputs = rest
	return waves, nil
}

// writeWave writes a signal, in memory that does not grow with its length.
func writeWave(name, comment string, source wave.Source) error {
	return build.SaveFrom(name, func(w io.Writer) (err error) {
		if strings.HasSuffix(strings.ToLower(name), ".gz") {
			z := gzip.NewWriter(w)
			defer func() {
				if e := z.Close(); err == nil {
					err = e
				}
			}()
			w = z
		}
		if waveFormat(name) == ".vcd" {
			return recording.WriteVCD(w, source, comment)
		}
		return recording.WriteCSV(w, source)
	})
}

// showSchedule says what a schedule file sends, and writes it as a waveform.
func (a *app) showSchedule(file string, waves []string) error {
	src, err := os.ReadFile(file)
	if err != nil {
		return fmt.Errorf("reading the schedule: %w", err)
	}
	plan, list := dcc.ParseSchedule(file, src)
	sources := map[string][]byte{file: src}
	if list.HasErrors() {
		return &inputError{list, sources}
	}
	if err := list.Print(a.err, sources); err != nil {
		return err
	}
	f, err := plan.Findings(filepath.Base(file))
	if err != nil {
		return err
	}
	if err := a.show(f, nil); err != nil {
		return err
	}
	for _, name := range waves {
		source, err := plan.Source()
		if err != nil {
			return err
		}
		if err := writeWave(name, filepath.Base(file), source); err != nil {
			return err
		}
	}
	return nil
}
