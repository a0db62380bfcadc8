package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"fettle/internal/build"
	"fettle/internal/dcc"
	"fettle/internal/draw"
	"fettle/internal/sheet"
)

// preambleMax bounds --preamble: a figure of more ones than that shows nothing.
const preambleMax = 200

func (a *app) packetCommand() *cobra.Command {
	var hexes []string
	var preamble int
	var schedule string
	cmd := &cobra.Command{
		Use:   "packet [SENTENCE…]",
		Short: "Make and explain DCC packets",
		Long: `packet makes packets of sentences, and explains the bytes of others.

  fettle packet 47 forward 12 of 28        one sentence, in words
  fettle packet "1000 F0 on" "idle"        several, each in quotes (or one text, with ";" between)
  fettle packet "cv 29 write 6 at 3"       a CV on the main
  fettle packet "service write cv 1 = 47"  on the programming track: the whole sequence
  fettle packet --hex "37 74 43"           what bytes say, or why they are nothing
  fettle packet 47 F0 on -o out.vcd        the track signal, as a recording of it would be (.csv, .vcd, also .gz)
  fettle packet --schedule FILE -o out.vcd a whole sequence, as a command station sends it

Each is shown as bytes, as bits with the XOR worked out, with its duration, the other readings that the
same bytes have, the rules for sending it, and its source. docs/packets.md is the grammar.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			waves, err := a.takeWaves()
			if err != nil {
				return err
			}
			if err := a.checkOptions(); err != nil {
				return err
			}
			if schedule != "" {
				if len(args) > 0 || len(hexes) > 0 || preamble != 0 {
					return errors.New("--schedule FILE stands alone: sentences and the preamble belong into the file")
				}
				return a.showSchedule(schedule, waves)
			}
			if preamble < 0 || preamble > preambleMax {
				return fmt.Errorf("--preamble %d: from 1 to %d one-bits can be shown; 14 are usual, 20 in service mode", preamble, preambleMax)
			}
			items, err := packetItems(args, hexes)
			if err != nil {
				return err
			}
			for k := range items {
				items[k].Preamble = preamble
			}
			return a.showPackets(items, waves)
		},
	}
	cmd.Flags().StringArrayVar(&hexes, "hex", nil, "explain `BYTES` in hexadecimal, error byte included; may be given several times")
	cmd.Flags().StringVar(&schedule, "schedule", "", "send what `FILE` orders, as a command station does")
	cmd.Flags().IntVar(&preamble, "preamble", 0, "one-bits before each packet (default: 14, in service mode 20)")
	return cmd
}

// packetItems is what is to be explained: sentences, then bytes.
func packetItems(args, hexes []string) ([]dcc.Item, error) {
	const words, bytes = "sentence", "--hex"
	text := sentences(args)
	said, list := dcc.Parse(words, text)
	sources := map[string][]byte{words: []byte(text)}
	var items []dcc.Item
	for _, s := range said {
		items = append(items, dcc.ItemOf(s))
	}
	raw := strings.Join(hexes, "\n")
	sources[bytes] = []byte(raw)
	packets, problems := dcc.ParseHex(bytes, raw)
	for _, p := range packets {
		items = append(items, dcc.Received(p))
	}
	if list = append(list, problems...); len(list) > 0 {
		return nil, &inputError{list, sources}
	}
	if len(items) == 0 {
		return nil, errors.New(`packet wants a sentence, fettle packet "47 forward 12 of 28", or bytes, fettle packet --hex "37 74 43"`)
	}
	return items, nil
}

// sentences joins arguments: words of one sentence, or sentences where one of them holds a space or each stands alone.
func sentences(args []string) string {
	apart := true
	for _, arg := range args {
		if strings.ContainsAny(arg, " \t\n;") {
			return strings.Join(args, "\n")
		}
		_, list := dcc.Parse("", arg)
		apart = apart && len(list) == 0
	}
	if apart {
		return strings.Join(args, "\n")
	}
	return strings.Join(args, " ")
}

// showPackets prints and writes what is asked for: findings as every command does, the drawing of each packet as SVG, all of
// them together as a waveform.
func (a *app) showPackets(items []dcc.Item, waves []string) error {
	outputs := a.outputs
	a.outputs = nil
	var drawings []string
	for _, name := range outputs {
		if strings.EqualFold(filepath.Ext(name), ".svg") {
			drawings = append(drawings, name)
		} else {
			a.outputs = append(a.outputs, name)
		}
	}
	f := dcc.Explain(items)
	page := func() ([]byte, error) {
		title := "Packets"
		if len(items) == 1 {
			title = "Packet: " + items[0].Title()
		}
		var drawings []sheet.Drawing
		for _, it := range items {
			drawings = append(drawings, sheet.Drawing{Title: it.Title(), Caption: "The track voltage over time at nominal half-bits; below, the error byte worked out.",
				Draw: func(o draw.Options) string { return draw.Packet(it, o) }})
		}
		return sheet.Leaf(title, f, drawings)
	}
	if err := a.show(f, page); err != nil {
		return err
	}
	for _, name := range drawings {
		for k, it := range items {
			path := name
			if len(items) > 1 {
				path = strings.TrimSuffix(name, filepath.Ext(name)) + "-" + strconv.Itoa(k+1) + filepath.Ext(name)
			}
			if err := build.Save(path, []byte(draw.Packet(it, draw.Options{Standalone: true}))); err != nil {
				return err
			}
		}
	}
	for _, name := range waves {
		source, err := dcc.NewStream(dcc.Play(items), dcc.StreamSettings{})
		if err != nil {
			return err
		}
		if err := writeWave(name, items[0].Title(), source); err != nil {
			return err
		}
	}
	return nil
}
