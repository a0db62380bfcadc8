package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fettle/examples"
	"fettle/internal/audit"
	"fettle/internal/build"
	"fettle/internal/diag"
	"fettle/internal/recording"
	"fettle/internal/sheet"
)

// demoRecording is what is audited where no recording is named: one with trouble put in on purpose.
const demoRecording = "track/trouble.csv.gz"

// auditFlags are the options of fettle audit as they are typed.
type auditFlags struct {
	audit.Asked
	packets string
}

func (a *app) auditCommand() *cobra.Command {
	fl := auditFlags{Asked: audit.Asked{Mark: "--"}}
	cmd := &cobra.Command{
		Use:   "audit [RECORDING]",
		Short: "Read and judge a recording of the track",
		Long: `audit reads a recording of the track and says what is wrong with the signal, packet by packet and half-bit by
half-bit, and whether a decoder with a wrong clock would have missed it.

  fettle audit evening.vcd                    a value change dump, or a table of times and levels (.csv), also .gz
  fettle audit evening.csv --wire CH1 --wire CH2 --from 10 s --to 20 s
  fettle audit evening.vcd --address 47 --at 12.3 s    what its lamps should have been doing
  fettle audit evening.vcd --packets all.jsonl         one record for every packet (.jsonl or .csv)
  fettle audit evening.vcd -o report.html

Without a recording it is an embedded one with trouble put in on purpose. docs/track.md says how to record, and what the
findings mean.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.checkOptions(); err != nil {
				return err
			}
			if ext := strings.ToLower(filepath.Ext(fl.packets)); fl.packets != "" {
				if ext != ".jsonl" && ext != ".csv" {
					return fmt.Errorf("--packets %s: the suffix picks the format, and %q is neither .jsonl nor .csv", fl.packets, ext)
				}
				if err := folderOf(fl.packets); err != nil {
					return err
				}
			}
			if len(args) > 1 {
				return fmt.Errorf("%q is one too many: one recording at a time", args[1])
			}
			return a.audit(cmd.Context(), args, fl)
		},
	}
	f := cmd.Flags()
	f.StringArrayVar(&fl.Addresses, "address", nil, "only packets, states and receivers of this `ADDRESS` (47, 1204, \"long 47\"); may be given several times")
	f.StringVar(&fl.From, "from", "", "judge from this `TIME` of the recording on, e.g. \"2.5 s\"")
	f.StringVar(&fl.To, "to", "", "judge up to this `TIME`")
	f.StringVar(&fl.At, "at", "", "say what decoders should have been doing at this `TIME`")
	f.StringVar(&fl.packets, "packets", "", "write one record for every packet to `FILE` (.jsonl or .csv)")
	f.StringArrayVar(&fl.Wires, "wire", nil, "the `NAME` (or the number of the column) of the wire to read; twice: left and right rail")
	f.StringVar(&fl.Format, "format", "", "VCD or CSV, if the file does not look like it")
	f.StringVar(&fl.Low, "low", "", "a voltage at or below this is low, e.g. \"-3 V\"")
	f.StringVar(&fl.High, "high", "", "a voltage at or above this is high")
	f.StringVar(&fl.Bridge, "bridge", "", "rails that are alike for no longer than this are crossing (default 4 us; 0 for never)")
	f.StringVar(&fl.Resolution, "resolution", "", "how far a recorded time may be off (default: the step of the times)")
	f.StringVar(&fl.Unit, "unit", "", "unit of the time column, or of VCD ticks without a timescale, e.g. \"1 us\"")
	f.StringVar(&fl.Timing, "timing", "", "what the time column holds: times or durations")
	f.StringVar(&fl.TimeColumn, "time-column", "", "its name or number")
	f.StringVar(&fl.Separator, "separator", "", "between columns: comma, semicolon, tab or space")
	f.StringVar(&fl.Decimal, "decimal", "", "decimal sign: point or comma")
	return cmd
}

func (a *app) audit(ctx context.Context, args []string, fl auditFlags) error {
	set, how, err := fl.Settings()
	if err != nil {
		return err
	}
	var file io.ReadCloser
	name, size := "", int64(0)
	if len(args) == 0 {
		name = demoRecording
		fmt.Fprintln(a.err, "fettle: no recording named; this is an embedded one, with trouble put in on purpose")
		src, err := examples.FS.ReadFile(demoRecording)
		if err != nil {
			return err
		}
		file, size = io.NopCloser(bytes.NewReader(src)), int64(len(src))
	} else {
		name = args[0]
		f, err := os.Open(name)
		if err != nil {
			return fmt.Errorf("reading the recording: %w", err)
		}
		if info, err := f.Stat(); err == nil {
			size = info.Size()
		}
		file = f
	}
	defer file.Close()
	var reader io.Reader = file
	if tell := a.progress(); tell != nil && size > 0 {
		reader = &told{r: file, tell: func(done int64) { tell("reading the recording", int(done), int(size)) }}
	}
	rec, list := recording.Open(reader, name, how)
	if rec == nil {
		return &inputError{list: list}
	}
	var o *audit.Audited
	run := func() (err error) {
		if o, err = audit.Recording(ctx, rec, set); o == nil {
			return err
		}
		a.problems = rec.Problems()
		if err != nil { // what was read until then has been judged
			a.problems.Add("recording-unread", diag.Range{File: name}, "reading it stopped: %v", err)
		}
		if looks, empty := o.Empty(); empty {
			a.problems.Add("recording-no-dcc", diag.Range{File: name}, "there is no DCC in it; it looks like %s", looks)
			return &inputError{list: a.problems}
		}
		return nil
	}
	if fl.packets == "" {
		err = run()
	} else {
		err = build.SaveFrom(fl.packets, func(w io.Writer) error {
			records := audit.NewRecordWriter(w, recordsAsCSV(fl.packets))
			set.Packet = records.Packet
			if err := run(); err != nil {
				return err
			}
			return records.Flush()
		})
	}
	if err != nil {
		return err
	}
	f := o.Findings(filepath.Base(name))
	if err := a.show(f, func() ([]byte, error) {
		return sheet.Audit(f, sheet.Title{What: filepath.Base(name), Date: time.Now().Format("2006-01-02"), File: name})
	}); err != nil {
		return err
	}
	// What could be read has been shown; a damaged file is wrong input all the same.
	if a.problems.HasErrors() {
		return &inputError{list: a.problems}
	}
	return a.problems.Print(a.err, nil)
}

// recordsAsCSV reports whether packets are wanted as CSV.
func recordsAsCSV(name string) bool { return strings.EqualFold(filepath.Ext(name), ".csv") }

// told tells how much was read.
type told struct {
	r    io.Reader
	n    int64
	tell func(done int64)
}

func (t *told) Read(b []byte) (int, error) {
	n, err := t.r.Read(b)
	t.n += int64(n)
	t.tell(t.n)
	return n, err
}
