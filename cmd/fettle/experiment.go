package main

import (
	"bufio"
	"context"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fettle/internal/build"
	"fettle/internal/experiment"
	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/sheet"
)

// session is how the readings of a card come in and where they go.
type session struct {
	typed      []string
	meter      string
	ask, write bool
}

func (a *app) experimentCommand() *cobra.Command {
	var s session
	cmd := a.command("experiment [CARD [OF]]", "Cards: one small measurement each, to see for yourself", func(ctx context.Context, f *build.Folder, rest []string, demo bool) error {
		if len(rest) == 0 {
			if len(s.typed) > 0 || s.write || s.ask {
				return fmt.Errorf("which card? fettle experiment base-drive --reading \"10k = 0.182 V\"")
			}
			cards := finding.Findings{Question: "experiment", Build: f.Build.Name()}
			for _, c := range experiment.Kinds() {
				cards.Notes = append(cards.Notes, finding.Note{ID: "card." + c.Name, Kind: c.Name, Text: c.Words})
			}
			return a.show(cards, nil)
		}
		kind, near, ok := experiment.Find(rest[0])
		if !ok {
			if near != "" {
				return fmt.Errorf("no card is called %q; did you mean %s?", rest[0], near)
			}
			return fmt.Errorf("no card is called %q; 'fettle experiment' lists them", rest[0])
		}
		if s.write {
			if err := refuseDemo(demo, "experiment -w"); err != nil {
				return err
			}
		}
		return a.experiment(ctx, f, kind, strings.Join(rest[1:], " "), s, demo)
	})
	cmd.Long = `experiment lists the cards; experiment CARD [PART, LAMP or METER] shows one: how to wire it, what the meter will show
and with what spread. With readings it says what they tell of this very part:

  fettle experiment base-drive --reading "supply = 5.02 V" --reading "100k = 0.31 V" --reading "220k = 2.67 V"
  fettle experiment led-drop red --ask      asks for one reading after the other
  fettle experiment CARD … -w               writes what was learned into drawer.csv or the build file; all else
                                            counts with it from then on

Readings are kept in experiments.csv beside the build file, dated, never overwritten.`
	cmd.Flags().StringArrayVar(&s.typed, "reading", nil, "a `READING`: \"10k = 0.182 V\", \"supply = 5.02 V\"; may be given several times")
	cmd.Flags().StringVar(&s.meter, "meter", "", "the `NAME` of the meter in the build file (default: the first declared)")
	cmd.Flags().BoolVar(&s.ask, "ask", false, "ask for the readings")
	cmd.Flags().BoolVarP(&s.write, "write", "w", false, "write what was learned (all else in the files stays)")
	return cmd
}

// experiment sets the card up, takes the readings, keeps them and writes what was learned.
func (a *app) experiment(ctx context.Context, f *build.Folder, kind experiment.Kind, of string, s session, demo bool) error {
	bench := experiment.Bench{Build: f.Build, Meter: s.meter, Subject: of}
	if _, ok := f.Build.Meter(s.meter); !ok && s.meter != "" {
		return fmt.Errorf("the build file declares no meter %q", s.meter)
	}
	if s.meter == "" && len(f.Build.Meters) > 0 {
		bench.Meter = f.Build.Meters[0].Name.Text
	}
	if kind.Surveyed {
		found, err := a.runner().Survey(ctx, f)
		if err != nil {
			return err
		}
		bench.Lamps = found.Lamps
	}
	c, err := kind.Set(bench)
	if err != nil {
		return err
	}
	if s.ask {
		if s.typed, err = a.askReadings(kind, c, s.typed); err != nil {
			return err
		}
	}
	const source = "--reading"
	text := strings.Join(s.typed, "\n")
	readings, list := experiment.Parse(source, text, kind.Example, c.Terms())
	if list.HasErrors() {
		return &inputError{list, map[string][]byte{source: []byte(text)}}
	}
	if s.write && len(readings) == 0 {
		return fmt.Errorf("experiment -w writes what readings tell, and none was given")
	}
	today := time.Now().Format("2006-01-02")
	if len(readings) > 0 && !demo { // kept before anything is made of them: what was read is never lost
		log := filepath.Join(f.Dir, experiment.LogName)
		if err := experiment.Append(log, today, kind.Name, c.Subject(), c.By(), readings); err != nil {
			return err
		}
		fmt.Fprintln(a.err, "fettle: kept the readings in", log)
	}
	found, learned, err := c.Findings(readings)
	if err != nil {
		return err
	}
	found.Build = f.Build.Name()
	if s.write {
		if err := a.learn(f, learned); err != nil {
			return err
		}
	}
	return a.show(found, func() ([]byte, error) {
		return sheet.Card(found, sheet.Title{What: c.Title(), Date: today})
	})
}

// learn writes what was learned into the drawer and the build file; neither is touched before both are made.
func (a *app) learn(f *build.Folder, l experiment.Learned) error {
	if l.Words == "" {
		fmt.Fprintln(a.err, "fettle: the readings teach nothing that could be written; nothing was")
		return nil
	}
	type change struct {
		file      string
		was, text []byte
	}
	var changes []change
	var files []string
	add := func(file string, was, text []byte) {
		changes, files = append(changes, change{file, was, text}), append(files, file)
	}
	if len(l.Edits) > 0 {
		text, list := f.Build.Patch(l.Edits)
		if list.HasErrors() {
			return &inputError{list, f.Sources}
		}
		add(f.File, f.Build.Source, text)
	}
	if len(l.Cells) > 0 {
		file, was, text, err := amendDrawer(f, l)
		if err != nil {
			return fmt.Errorf("writing the drawer: %w", err)
		}
		add(file, was, text)
	}
	for _, c := range changes {
		if err := replace(c.file, c.was, c.text); err != nil {
			return fmt.Errorf("writing what was learned: %w", err)
		}
	}
	fmt.Fprintf(a.err, "fettle: wrote %s, into %s\n", l.Words, strings.Join(files, " and "))
	return nil
}

// amendDrawer is the drawer with cells in the part's row, or in a row of its own; a build without a drawer gets one.
func amendDrawer(f *build.Folder, l experiment.Learned) (file string, was, text []byte, err error) {
	if file = f.DrawerFile; file == "" {
		file = filepath.Join(f.Dir, build.DrawerName)
	}
	was, err = os.ReadFile(file)
	if err != nil && !os.IsNotExist(err) {
		return file, nil, nil, err
	}
	line, cells := 0, maps.Clone(l.Cells)
	if f.Build.Drawer != nil {
		if it, ok := f.Build.Drawer.Have(l.Part); ok {
			line = it.Range.Start.Line
		}
	}
	if line == 0 {
		cells["part"], cells["count"] = l.Part, "1"
		maps.Copy(cells, l.New)
	}
	text, err = parts.Amend(file, was, line, cells)
	return file, was, text, err
}

// askReadings asks for each reading of the card; an empty line leaves one out, the end of the input ends it.
func (a *app) askReadings(kind experiment.Kind, c experiment.Card, typed []string) ([]string, error) {
	in := bufio.NewScanner(a.in)
	type step struct{ left, shows string }
	var steps []step
	for _, t := range c.Terms() {
		shows := t.Dim.Name
		if t.Looks != nil {
			shows += ", and how it looked"
		}
		for _, left := range t.Ask {
			steps = append(steps, step{left, shows})
		}
	}
	for _, s := range steps {
		for {
			fmt.Fprintf(a.err, "%s (%s) = ", s.left, s.shows)
			if !in.Scan() {
				return typed, in.Err()
			}
			value := strings.TrimSpace(in.Text())
			if value == "" {
				break
			}
			line := s.left + " = " + value
			if _, list := experiment.Parse("prompt", line, kind.Example, c.Terms()); list.HasErrors() {
				if err := list.Print(a.err, map[string][]byte{"prompt": []byte(line)}); err != nil {
					return nil, err
				}
				continue
			}
			typed = append(typed, line)
			break
		}
	}
	return typed, nil
}
