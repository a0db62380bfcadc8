package main

import (
	"bufio"
	"context"
	"fmt"
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

func (a *app) experimentCommand() *cobra.Command {
	var typed []string
	var meterName string
	var write, ask bool
	cmd := a.command("experiment [CARD [PART]]", "Cards: one small measurement each, to see for yourself", func(ctx context.Context, f *build.Folder, rest []string, demo bool) error {
		if len(rest) == 0 {
			if len(typed) > 0 || write || ask {
				return fmt.Errorf("which card? fettle experiment base-drive --reading \"10k = 0.182 V\"")
			}
			cards := finding.Findings{Question: "experiment", Build: f.Build.Name()}
			for _, c := range experiment.Cards() {
				cards.Notes = append(cards.Notes, finding.Note{ID: "card." + c.Name, Kind: c.Name, Text: c.Words})
			}
			return a.show(cards, nil)
		}
		card, near, ok := experiment.Find(rest[0])
		if !ok {
			if near != "" {
				return fmt.Errorf("no card is called %q; did you mean %s?", rest[0], near)
			}
			return fmt.Errorf("no card is called %q; 'fettle experiment' lists them", rest[0])
		}
		if write {
			if err := refuseDemo(demo, "experiment -w"); err != nil {
				return err
			}
		}
		return a.baseDrive(f, card, strings.Join(rest[1:], " "), meterName, typed, ask, write, demo)
	})
	cmd.Long = `experiment lists the cards; experiment base-drive [PART] shows one: how to wire it, what the meter will show and
with what spread. With readings it says what they tell of this very part:

  fettle experiment base-drive --reading "supply = 5.02 V" --reading "100k = 0.31 V" --reading "220k = 2.67 V"
  fettle experiment base-drive --ask        asks for one reading after the other
  fettle experiment base-drive … -w         writes what was learned into drawer.csv; prove then counts with it

Readings are kept in experiments.csv beside the build file, dated, never overwritten.`
	cmd.Flags().StringArrayVar(&typed, "reading", nil, "a `READING`: \"10k = 0.182 V\", \"supply = 5.02 V\", \"collector = 998 Ω\"; may be given several times")
	cmd.Flags().StringVar(&meterName, "meter", "", "the `NAME` of the meter in the build file (default: the first declared)")
	cmd.Flags().BoolVar(&ask, "ask", false, "ask for the readings")
	cmd.Flags().BoolVarP(&write, "write", "w", false, "write what was learned into the drawer (all else in it stays)")
	return cmd
}

// baseDrive shows the card, takes the readings, keeps them and writes what was learned.
func (a *app) baseDrive(f *build.Folder, card experiment.Card, name, meterName string, typed []string, ask, write, demo bool) error {
	b := f.Build
	if meterName == "" && len(b.Meters) > 0 {
		meterName = b.Meters[0].Name.Text
	}
	if _, ok := b.Meter(meterName); !ok && meterName != "" {
		return fmt.Errorf("the build file declares no meter %q", meterName)
	}
	spec, _ := b.MeterSpec(meterName)
	if name == "" {
		name = experiment.Usual
		if on := b.Drawer.Transistors(parts.NPN); len(on) > 0 {
			name = on[0].Part
		}
	}
	bjt, ok := b.Catalogue.BJT(name)
	if !ok {
		if near := b.Catalogue.Suggest(name, parts.KindTransistor); len(near) > 0 {
			return fmt.Errorf("no transistor is called %q; did you mean %s?", name, strings.Join(near, " or "))
		}
		return fmt.Errorf("no transistor is called %q; 'fettle part %s' says what else it may be", name, name)
	}
	c, err := experiment.NewBaseDrive(bjt, b.Drawer, spec)
	if err != nil {
		return err
	}
	if ask {
		if typed, err = a.askReadings(c, typed); err != nil {
			return err
		}
	}
	const source = "--reading"
	text := strings.Join(typed, "\n")
	readings, list := experiment.ParseReadings(source, text)
	if list.HasErrors() {
		return &inputError{list, map[string][]byte{source: []byte(text)}}
	}
	if write && len(readings) == 0 {
		return fmt.Errorf("experiment -w writes what readings tell, and none was given")
	}
	if len(readings) > 0 && !demo { // kept before anything is made of them: what was read is never lost
		log := filepath.Join(f.Dir, experiment.LogName)
		if err := experiment.Append(log, time.Now().Format("2006-01-02"), card.Name, bjt.Name, spec.Name, readings); err != nil {
			return err
		}
		fmt.Fprintln(a.err, "fettle: kept the readings in", log)
	}
	var gain *experiment.Gain
	if len(readings) > 0 {
		g, err := c.Infer(readings)
		if err != nil {
			return err
		}
		gain = &g
	}
	found, err := c.Findings(readings, gain)
	if err != nil {
		return err
	}
	found.Build = b.Name()
	if write {
		if err := a.learn(f, bjt.Name, gain.Learned()); err != nil {
			return err
		}
	}
	return a.show(found, func() ([]byte, error) {
		return sheet.Card(found, sheet.Title{What: "Base drive of " + bjt.Name, Date: time.Now().Format("2006-01-02")})
	})
}

// learn writes cells into the drawer's row of a part, or a row of its own; a build without a drawer gets one.
func (a *app) learn(f *build.Folder, part string, cells map[string]string) error {
	file := f.DrawerFile
	if file == "" {
		file = filepath.Join(f.Dir, build.DrawerName)
	}
	src, err := os.ReadFile(file)
	if err != nil && !os.IsNotExist(err) {
		return err
	}
	line := 0
	if f.Build.Drawer != nil {
		if it, ok := f.Build.Drawer.Have(part); ok {
			line = it.Range.Start.Line
		}
	}
	if line == 0 {
		cells["part"], cells["count"] = part, "1"
	}
	out, err := parts.Amend(file, src, line, cells)
	if err != nil {
		return fmt.Errorf("writing the drawer: %w", err)
	}
	if err := replace(file, src, out); err != nil {
		return err
	}
	fmt.Fprintf(a.err, "fettle: wrote hFE %s at %s, within %s, into %s\n", cells["hfe"], cells["hfe_at"], cells["hfe_error"], file)
	return nil
}

// askReadings asks for each reading of the card; an empty line leaves one out, the end of the input ends it.
func (a *app) askReadings(c *experiment.BaseDrive, typed []string) ([]string, error) {
	in := bufio.NewScanner(a.in)
	left := []string{"supply", "collector"}
	for _, r := range c.Ladder {
		left = append(left, r.R.String())
	}
	for _, what := range left {
		for {
			fmt.Fprintf(a.err, "%s = ", what)
			if !in.Scan() {
				return typed, in.Err()
			}
			value := strings.TrimSpace(in.Text())
			if value == "" {
				break
			}
			line := what + " = " + value
			if _, list := experiment.ParseReadings("prompt", line); list.HasErrors() {
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
