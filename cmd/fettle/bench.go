package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fettle/internal/bench"
	"fettle/internal/build"
	"fettle/internal/diag"
	"fettle/internal/sheet"
	"fettle/internal/work"
)

func (a *app) benchCommand() *cobra.Command {
	var readings, files []string
	var decoder, note string
	var record bool
	cmd := a.command("bench [NUMBER] [FILE]", "The commissioning sheet: what to measure and what to expect", func(ctx context.Context, f *build.Folder, rest []string, demo bool) error {
		number := 0
		if len(rest) == 1 {
			if n, err := strconv.Atoi(rest[0]); err == nil {
				number, rest = n, nil
			}
		}
		if err := noMore(rest); err != nil {
			return err
		}
		if record || len(readings)+len(files) > 0 {
			if err := refuseDemo(demo, "bench --record"); err != nil {
				return err
			}
		}
		b, err := a.runner().Bench(ctx, f, decoder)
		if err != nil {
			return err
		}
		if number != 0 {
			rows := b.Sheet.Rows()
			if number < 1 || number > len(rows) {
				return fmt.Errorf("no. %d is not on the sheet: it has 1 to %d", number, len(rows))
			}
			found := b.Sheet.Explain(rows[number-1])
			found.Build = f.Build.Name()
			return a.show(found, nil)
		}
		taken, list := b.Taken()
		if err := list.Print(a.err, f.Sources); err != nil {
			return err
		}
		if len(readings)+len(files) > 0 {
			if taken, err = a.keepReadings(b, f, taken, readings, files, note); err != nil {
				return err
			}
		}
		if record {
			return a.record(ctx, b, f, taken, note)
		}
		if len(readings)+len(files) > 0 && !a.json && len(a.outputs) == 0 {
			for _, t := range taken[len(taken)-a.kept:] {
				fmt.Fprintln(a.out, b.Sheet.Told(t))
			}
			a.judged(b.Sheet.Findings(taken))
			return nil
		}
		found := b.Sheet.Findings(taken)
		found.Build = f.Build.Name()
		title := sheet.Title{What: "decoder " + b.Sheet.Decoder, Vehicle: f.Build.Name(), Date: time.Now().Format("2006-01-02"), File: filepath.Base(f.File)}
		if len(b.Build.Vehicles) > 0 {
			title.Scale = b.Build.Vehicles[0].Scale.Text
		}
		outputs := a.outputs
		a.outputs = nil
		text := found
		if !a.json {
			text.Values = nil // the tables say as much; fettle bench NUMBER says it all
		}
		if err := a.show(text, nil); err != nil {
			return err
		}
		for _, name := range outputs {
			if err := a.write(name, found, func() ([]byte, error) { return sheet.Bench(b, taken, title) }); err != nil {
				return err
			}
		}
		return nil
	})
	cmd.Long = `bench is the order of work that brings a new board to life and catches faults early: what to measure, where the
probes go, what the meter should show, and what it points to when it shows less or more.

  fettle bench                                 the sheet, with what was read so far
  fettle bench 12                              the reading no. 12: what it points to when it is off, and the repair
  fettle bench -o bench.html                   the same to print, with boxes to write in
  fettle bench --record                        asks for one reading after the other
  fettle bench --reading "12 = 0.02 V"         by the number on the sheet; may be given several times
  fettle bench --reading "PB0 to plus = 4.9 V" or by where the probes are
  fettle bench --readings FILE.csv             columns reading and row, or setup and test; date, note

Readings are added to readings.csv beside the build file, dated, never overwritten, and judged at once; fettle fault starts
from them. The tools on your bench stand in the build file (block bench). docs/bench.md says more.`
	cmd.Flags().BoolVar(&record, "record", false, "ask for one reading after the other and keep them")
	cmd.Flags().StringArrayVar(&readings, "reading", nil, "a `READING` to keep, e.g. \"12 = 0.02 V\"; may be given several times")
	cmd.Flags().StringArrayVar(&files, "readings", nil, "a CSV `FILE` of readings to keep")
	cmd.Flags().StringVar(&note, "note", "", "a `NOTE` kept with the readings")
	cmd.Flags().StringVar(&decoder, "decoder", "", "which decoder of the build; the first one where none is named")
	return cmd
}

// keepReadings takes down what was typed or stands in files: all of it, or none where something is wrong with it.
func (a *app) keepReadings(b *work.Bench, f *build.Folder, taken []bench.Taken, readings, files []string, note string) ([]bench.Taken, error) {
	const option = "--reading"
	sources := map[string][]byte{}
	today := time.Now().Format("2006-01-02")
	have := map[string]bool{}
	for _, t := range taken {
		have[t.Row.Test] = true
	}
	var list diag.List
	var rows []build.BenchReading
	add := func(at diag.Range, text, date, note string) {
		row, v, problems := b.Read(at.File, 1, text, have)
		for k := range problems {
			if at.End.Line > 0 { // a line of a file, of which text is only made
				problems[k].Range = at
			}
		}
		if list = append(list, problems...); len(problems) > 0 {
			return
		}
		have[row.Test] = true
		x := b.Line(row, text)
		x.Date, x.Note = date, note
		rows = append(rows, x)
		taken = append(taken, b.Add(taken, bench.Taken{Row: row, Value: v, Date: date, Text: x.Text}))
	}
	for i, text := range readings {
		name := option
		if len(readings) > 1 {
			name = fmt.Sprintf("%s %d", option, i+1)
		}
		sources[name] = []byte(text)
		add(diag.Range{File: name}, text, today, note)
	}
	for _, name := range files {
		src, err := os.ReadFile(name)
		if err != nil {
			return taken, fmt.Errorf("reading the readings: %w", err)
		}
		sources[name] = src
		lines, problems := build.BenchLines(name, src)
		list = append(list, problems...)
		for _, x := range lines {
			add(x.Range, x.Text, firstOf(x.Date, today), firstOf(x.Note, note))
		}
	}
	if list.HasErrors() {
		return taken, &inputError{list, sources}
	}
	if err := list.Print(a.err, sources); err != nil {
		return taken, err
	}
	if err := build.AppendBench(f.ReadingsFile, rows...); err != nil {
		return taken, err
	}
	a.kept = len(rows)
	fmt.Fprintf(a.err, "fettle: kept in %s: %s\n", f.ReadingsFile, count(len(rows), "reading"))
	return taken, nil
}

// count is a number of things.
func count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

func firstOf(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// record asks for one reading of the sheet after the other; each is kept before the next is asked for.
func (a *app) record(ctx context.Context, b *work.Bench, f *build.Folder, taken []bench.Taken, note string) error {
	in := bufio.NewReader(a.in)
	have := map[string]bool{}
	for _, t := range taken {
		have[t.Row.Test] = true
	}
	fmt.Fprintln(a.out, "Type what the meter shows, with its unit; OL; yes or no. An empty line leaves one out, \"again\" asks for the last one again, \"stop\" ends.")
	for _, c := range b.Sheet.Cautions() {
		if !strings.HasPrefix(c.Where, "probing ") {
			fmt.Fprintf(a.out, "! %s: %s\n", c.Where, c.Text)
		}
	}
	rows := b.Sheet.Rows()
	step, setup, risk := "", "", ""
	for i := 0; i < len(rows); i++ {
		row := rows[i]
		if have[row.Test] {
			continue
		}
		if row.Step != step {
			for k, s := range b.Sheet.Steps {
				if s.ID == row.Step {
					fmt.Fprintf(a.out, "\n%d  %s\n", k+1, s.Name)
					for _, d := range s.Do {
						fmt.Fprintln(a.out, "   "+d)
					}
				}
			}
			step, setup = row.Step, ""
		}
		if row.Setup != setup && row.Bring != "" {
			fmt.Fprintln(a.out, "   "+row.Bring)
		}
		if row.Risk != "" && row.Risk != risk {
			fmt.Fprintln(a.out, "   ! "+row.Risk)
		}
		setup, risk = row.Setup, firstOf(row.Risk, risk)
		for {
			if err := ctx.Err(); err != nil {
				return err
			}
			fmt.Fprintf(a.out, "%3d  %s, %s = ", row.Number, row.Probes(), row.Meter()) // what to expect is said after: it steers the eye
			line, err := in.ReadString('\n')
			if err != nil && !errors.Is(err, io.EOF) {
				return fmt.Errorf("reading the answer: %w", err)
			}
			value := strings.TrimSpace(line)
			if value == "stop" || errors.Is(err, io.EOF) && value == "" {
				fmt.Fprintln(a.out)
				return a.recorded(b, taken)
			}
			if value == "" {
				break
			}
			if value == "again" && len(taken) > 0 && a.kept > 0 {
				last := taken[len(taken)-1].Row
				for k := range rows {
					if rows[k] == last {
						row, i = last, k
					}
				}
				continue
			}
			text := fmt.Sprintf("%d = %s", row.Number, value)
			got, v, problems := b.Read("answer", 1, text, nil)
			if len(problems) > 0 {
				if err := problems.Print(a.out, map[string][]byte{"answer": []byte(text)}); err != nil {
					return err
				}
				continue
			}
			x := b.Line(got, text)
			x.Date, x.Note = time.Now().Format("2006-01-02"), note
			if err := build.AppendBench(f.ReadingsFile, x); err != nil {
				return err
			}
			a.kept++
			t := b.Add(taken, bench.Taken{Row: got, Value: v, Date: x.Date, Text: x.Text})
			taken = append(taken, t)
			have[got.Test] = true
			fmt.Fprintln(a.out, "     "+strings.ReplaceAll(b.Sheet.Told(t), "\n", "\n     "))
			break
		}
	}
	return a.recorded(b, taken)
}

// recorded ends the record.
func (a *app) recorded(b *work.Bench, taken []bench.Taken) error {
	found := b.Sheet.Findings(taken)
	off := 0
	for _, j := range found.Verdicts {
		if j.Verdict == "fails" {
			off++
		}
	}
	switch {
	case len(found.Verdicts) == 0:
		fmt.Fprintln(a.out, "nothing read yet")
	case off == 0:
		fmt.Fprintf(a.out, "%s of %d, all as they should be\n", count(len(found.Verdicts), "reading"), len(b.Sheet.Rows()))
	default:
		fmt.Fprintf(a.out, "%s of %d, %d off: fettle fault starts from them\n", count(len(found.Verdicts), "reading"), len(b.Sheet.Rows()), off)
	}
	a.judged(found)
	return nil
}
