// Package work runs questions over a build: survey, then choose, then prove with the train, in memory, with the answers kept
// by content, with progress, and with the combined verdict.
//
// An answer is kept under the hash of everything it depends on: the program itself, what the question is shown of the build,
// the drawer and the settings. Caches lie in the user's cache folder, never beside the build; a
// cache that cannot be read or written costs time and nothing else.
package work

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/gob"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"

	"fettle/internal/build"
	"fettle/internal/choose"
	"fettle/internal/draw"
	"fettle/internal/finding"
	"fettle/internal/prove"
	"fettle/internal/survey"
	"fettle/internal/train"
	"fettle/internal/wiring"
)

// A Runner asks questions of builds. The zero value works: no cache, no progress.
type Runner struct {
	// Cache is the folder of kept answers; "": nothing is kept.
	Cache string
	// Progress is told what is being done and how far it is; may be nil. It is called from one goroutine at
	// a time.
	Progress func(what string, done, total int)
	// Samples and Seed of the proof; 0: 10 000 and 1.
	Samples int
	Seed    uint64
	Full    bool // attack every requirement with all samples
	// Testability: find which faults the bench sheet would not catch, though it takes long; else from what is kept alone.
	Testability bool
}

// DefaultCache is the folder of kept answers in the user's cache folder, or "" where there is none.
func DefaultCache() string {
	dir, err := os.UserCacheDir()
	if err != nil {
		return ""
	}
	return filepath.Join(dir, "fettle")
}

// Surveyed is what is known of the lamps.
type Surveyed struct {
	Lamps    map[string]*wiring.LampPosterior
	Findings finding.Findings
}

// Survey asks what each lamp is.
func (r *Runner) Survey(ctx context.Context, f *build.Folder) (Surveyed, error) {
	b := ofLamps(f.Build)
	return kept(ctx, r, "survey", digest(f, b, withoutPlaces), func() (Surveyed, error) {
		s, err := survey.Survey(ctx, b, survey.Settings{})
		return Surveyed{s.Lamps, s.Findings}, err
	})
}

// Chosen is the build with every open value filled in.
type Chosen struct {
	Surveyed
	Build    *build.Build
	Findings finding.Findings
	Edits    []build.Edit
}

// Choose surveys and then finds what is open of the build as built.
func (r *Runner) Choose(ctx context.Context, f *build.Folder) (Chosen, error) {
	return r.choose(ctx, f, f.Build.AsBuilt(), "choose")
}

// choose finds what is open of the folder's build, as built or as designed.
func (r *Runner) choose(ctx context.Context, f *build.Folder, b *build.Build, question string) (Chosen, error) {
	s, err := r.Survey(ctx, f)
	if err != nil {
		return Chosen{}, err
	}
	type answer struct {
		Findings finding.Findings
		Edits    []build.Edit
		Decoders []build.Decoder
	}
	shown := ofCircuits(b)
	a, err := kept(ctx, r, question, digest(f, shown, withPlaces), func() (answer, error) { // the decoders are handed on with their places
		c, err := choose.Choose(ctx, shown, s.Lamps)
		if err != nil {
			return answer{}, err
		}
		return answer{c.Findings, c.Edits, c.Build.Decoders}, nil
	})
	if err != nil {
		return Chosen{}, err
	}
	filled := *b
	filled.Decoders = a.Decoders
	return Chosen{Surveyed: s, Build: &filled, Findings: a.Findings, Edits: a.Edits}, nil
}

// Proved is the whole road.
type Proved struct {
	Chosen
	Findings finding.Findings // of the proof, with every chosen value marked
	Circuits []draw.Schematic // one for each decoder that could be wired
	Trains   []train.Plan     // which lamps are lit over the whole train
	Parts    finding.Table    // the parts list
	Cost     []finding.Value  // what they come to, beside a ready-made decoder
	Revision string           // short hash of the build file, the readings and the drawer
}

// Prove surveys, chooses and judges the build as built; where that departs from the design, the design as well. Figures cost
// time and are made on request.
func (r *Runner) Prove(ctx context.Context, folder *build.Folder, figures bool) (Proved, error) {
	c, err := r.Choose(ctx, folder)
	if err != nil {
		return Proved{}, err
	}
	var design Chosen
	built := folder.Build.Noted()
	if built {
		if design, err = r.choose(ctx, folder, folder.Build, "choose the design"); err != nil {
			return Proved{}, err
		}
		for i := range c.Build.Decoders {
			c.Build.Decoders[i].DesignedAs(&design.Build.Decoders[i])
		}
	}
	p, err := r.prove(ctx, folder, c, "prove", "samples against the worst case", figures)
	if err != nil {
		return Proved{}, err
	}
	if built {
		d, err := r.prove(ctx, folder, design, "prove the design", "samples against the design", false)
		if err != nil {
			return Proved{}, err
		}
		p.against(&d)
	}
	p.specimens()
	return p, nil
}

// prove judges a build whose open values are chosen.
func (r *Runner) prove(ctx context.Context, folder *build.Folder, c Chosen, question, doing string, figures bool) (Proved, error) {
	b := ofCircuits(c.Build)
	f, err := kept(ctx, r, fmt.Sprintf("%s %d %d %t %t", question, r.Samples, r.Seed, r.Full, figures), digest(folder, b, withoutPlaces), func() (finding.Findings, error) {
		p, err := prove.Prove(ctx, b, c.Lamps, prove.Settings{Samples: r.Samples, Seed: r.Seed, Full: r.Full, Figures: figures, Progress: func(done, total int) {
			if r.Progress != nil {
				r.Progress(doing, done, total)
			}
		}})
		return p.Findings, err
	})
	if err != nil {
		return Proved{}, err
	}
	lit := train.Judge(c.Build, shown(c.Build, f))
	f.Values = append(f.Values, lit.Findings.Values...)
	f.Verdicts = append(f.Verdicts, lit.Findings.Verdicts...)
	f.Tables = append(f.Tables, lit.Findings.Tables...)
	f.Notes = append(f.Notes, lit.Findings.Notes...)
	f.Values = merge(c.Findings.Values, f.Values)
	f.Verdicts = append(slices.DeleteFunc(slices.Clone(c.Findings.Verdicts), func(j finding.Judgement) bool { // what both say counts once
		return slices.ContainsFunc(f.Verdicts, func(k finding.Judgement) bool {
			return j.ID == k.ID && j.Requirement == k.Requirement && j.Verdict == k.Verdict
		})
	}), f.Verdicts...)
	f.Notes = append(append([]finding.Note(nil), c.Findings.Notes...), f.Notes...)
	p := Proved{Chosen: c, Findings: f, Trains: lit.Plans, Parts: prove.PartsList(c.Build), Cost: prove.Cost(c.Build), Revision: revision(folder)}
	for i := range c.Build.Decoders {
		n, _, err := wiring.NewNetwork(c.Build, &c.Build.Decoders[i], c.Lamps)
		if err == nil && n != nil {
			op, ok := prove.Operate(n)
			if !ok {
				op = nil
			}
			p.Circuits = append(p.Circuits, draw.Of(n, f, op))
			verdicts, tables := prove.Plug(n)
			p.Findings.Verdicts, p.Findings.Tables = append(p.Findings.Verdicts, verdicts...), append(p.Findings.Tables, tables...)
			verdict, table, err := r.testable(ctx, folder, n.Decoder.Name.Text)
			if err != nil {
				return Proved{}, err
			}
			p.Findings.Verdicts = append(p.Findings.Verdicts, verdict)
			if len(table.Rows) > 0 {
				p.Findings.Tables = append(p.Findings.Tables, table)
			}
		}
	}
	return p, nil
}

// merge puts the chosen values first and adds those of the proof that were not chosen.
func merge(chosen, all []finding.Value) []finding.Value {
	out := slices.Clone(chosen)
	for _, v := range all {
		if !slices.ContainsFunc(chosen, func(c finding.Value) bool { return c.ID == v.ID }) {
			out = append(out, v)
		}
	}
	return out
}

// All is every finding of the road in one, for looking things up; a working that a figure belongs to carries it.
func (p Proved) All() finding.Findings {
	f := p.Findings
	figure := map[string]*finding.Figure{}
	for i := range f.Figures {
		figure[f.Figures[i].ID] = &f.Figures[i]
	}
	with := func(id string, w *finding.Working) *finding.Working {
		dot := strings.LastIndexByte(id, '.')
		if w == nil || w.Figure != nil || dot < 0 {
			return w
		}
		kind := ".saturation"
		switch name := id[dot+1:]; {
		case name == "series" || name == "good" || name == "seen" || strings.HasPrefix(name, "never-above"):
			kind = ".light"
		case name != "base" && !strings.HasPrefix(name, "saturated") && !strings.HasPrefix(name, "overdrive"):
			return w
		}
		if fig := figure[id[:dot]+kind]; fig != nil {
			own := *w
			own.Figure = fig
			return &own
		}
		return w
	}
	f.Values, f.Verdicts = slices.Clone(f.Values), slices.Clone(f.Verdicts)
	for i := range f.Values {
		f.Values[i].Working = with(f.Values[i].ID, f.Values[i].Working)
	}
	for i := range f.Verdicts {
		f.Verdicts[i].Working = with(f.Verdicts[i].ID, f.Verdicts[i].Working)
	}
	f.Values = slices.Concat(p.Surveyed.Findings.Values, f.Values, p.Cost)
	f.Verdicts = append(append([]finding.Judgement(nil), p.Surveyed.Findings.Verdicts...), f.Verdicts...)
	f.Figures = append(append([]finding.Figure(nil), p.Surveyed.Findings.Figures...), f.Figures...)
	f.Tables = append(append([]finding.Table(nil), p.Surveyed.Findings.Tables...), f.Tables...)
	f.Notes = append(append([]finding.Note(nil), p.Surveyed.Findings.Notes...), f.Notes...)
	return f
}

// kept answers from the cache, else computes and keeps the answer.
func kept[T any](ctx context.Context, r *Runner, question, key string, compute func() (T, error)) (T, error) {
	if err := ctx.Err(); err != nil {
		var none T
		return none, err
	}
	if answer, ok := peek[T](r, question, key); ok {
		return answer, nil
	}
	answer, err := compute()
	if err != nil || r.Cache == "" {
		return answer, err
	}
	path := filepath.Join(r.Cache, named(question, key)+".gob")
	var buf bytes.Buffer
	if gob.NewEncoder(&buf).Encode(answer) == nil && os.MkdirAll(r.Cache, 0o755) == nil {
		_ = build.Save(path, buf.Bytes())
	}
	return answer, nil
}

// named is the name of an answer in the cache.
func named(question, key string) string {
	sum := sha256.Sum256([]byte(question + "\n" + key))
	return hex.EncodeToString(sum[:16])
}

// peek is the answer if it is kept.
func peek[T any](r *Runner, question, key string) (answer T, ok bool) {
	if r.Cache == "" {
		return answer, false
	}
	data, err := os.ReadFile(filepath.Join(r.Cache, named(question, key)+".gob"))
	if err != nil || gob.NewDecoder(bytes.NewReader(data)).Decode(&answer) != nil {
		var none T
		return none, false
	}
	return answer, true
}

// program names this very program: its revision if it was built from a clean checkout, else the size and
// time of its file.
func program() string {
	if info, ok := debug.ReadBuildInfo(); ok {
		revision, modified := "", true
		for _, s := range info.Settings {
			switch s.Key {
			case "vcs.revision":
				revision = s.Value
			case "vcs.modified":
				modified = s.Value == "true"
			}
		}
		if revision != "" && !modified {
			return revision
		}
	}
	exe, err := os.Executable()
	if err != nil {
		return ""
	}
	st, err := os.Stat(exe)
	if err != nil {
		return exe
	}
	return fmt.Sprintf("%s %d %d", exe, st.Size(), st.ModTime().UnixNano())
}
