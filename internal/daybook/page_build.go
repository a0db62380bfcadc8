package daybook

import (
	"fmt"
	"html/template"
	"slices"
	"strings"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/render"
	"fettle/internal/wiring"
)

// section is a piece of a page that follows the file: script exchanges it when something has changed.
type section struct {
	Live, Title string
	State       finding.Verdict
	Say         string
	Forms       []formView
	Plates      []plate
	Parts       []template.HTML
	Reading     *readingForm
	Strike      *strikeView
	Adds        []addView
	Cautions    template.HTML
	More        string        // what a folded part is called
	Folded      template.HTML // and what is in it
}

// sections are most pages.
type sections struct {
	Title, Lead string
	List        []section
}

func (s *section) add(parts ...template.HTML) {
	for _, p := range parts {
		if p != "" {
			s.Parts = append(s.Parts, p)
		}
	}
}

// showWhole is the whole at a glance.
func showWhole(v *view) (string, any) {
	type line struct {
		stepView
		Say string
	}
	type data struct {
		Name, Tally, Chosen, File string
		State                     finding.Verdict
		Look, Owed                template.HTML
		Clear                     bool
		Steps                     []line
		Edits                     []field
		Plates                    []plate
		View                      *view
		Readonly                  bool
		Kept                      []field // findings that can be saved
		Running, Full             bool    // every sample is being computed, has been
	}
	b, f := v.proved.Build, v.proved.Findings
	d := data{Name: b.Name(), State: f.Worst(), Tally: render.Tally(f.Verdicts), File: v.book.File(), View: v, Readonly: v.book.Readonly()}
	judged, _ := render.Ordered(f.Verdicts)
	var look []finding.Judgement
	for _, j := range judged {
		if j.Verdict == finding.Fails || j.Verdict == finding.Close || j.Verdict == finding.Unknown {
			look = append(look, j)
		}
	}
	d.Clear = len(look) == 0 && len(judged) > 0
	if len(look) > 0 {
		d.Look = render.Verdicts(look, v.options("look-"))
	}
	d.Owed = render.Owed(f.Verdicts)
	say := v.inShort()
	for i, s := range stages[1:] {
		d.Steps = append(d.Steps, line{stepView{Number: i + 2, Name: s.Name, To: v.Base + s.Path, State: s.state(v.book, v.all)}, say[s.Path]})
	}
	if n := len(v.proved.Edits); n > 0 {
		d.Chosen = fmt.Sprintf("%d values are chosen by fettle and not written in the file.", n)
		if n == 1 {
			d.Chosen = "One value is chosen by fettle and not written in the file."
		}
		for _, e := range v.proved.Edits {
			d.Edits = append(d.Edits, field{Field(e.Path, e.Attr), e.Value})
		}
	}
	d.Plates = v.circuits()
	d.Running, d.Full = v.book.Full()
	d.Kept = []field{{"what each lamp is", "survey"}, {"what was chosen", "choose"}, {"every requirement, judged", "prove"}}
	return "whole", d
}

// inShort is one line for each stage.
func (v *view) inShort() map[string]string {
	b := v.proved.Build
	m := map[string]string{}
	count := func(n int, one, many string) string {
		if n == 1 {
			return "1 " + one
		}
		return fmt.Sprintf("%d %s", n, many)
	}
	var sockets, lamps []string
	outputs := 0
	for _, x := range b.Vehicles {
		sockets = append(sockets, strings.Trim(x.Scale.Text+", "+x.Socket.Text, ", "))
		for i := range x.Lamps {
			lamps = append(lamps, x.Lamps[i].Name.Text)
		}
	}
	for i := range b.Decoders {
		outputs += len(b.Decoders[i].Outputs)
	}
	m["vehicle"] = strings.Join(slices.Compact(sockets), "; ")
	m["lamps"] = strings.Join(lamps, ", ") + ": " + count(len(b.Readings), "reading", "readings")
	m["supply"] = strings.Join([]string{b.Track.Low.Text, b.Track.Usual.Text, b.Track.High.Text}, " · ")
	var ears, addresses []string
	for i := range b.Decoders {
		d := &b.Decoders[i]
		ears = append(ears, strings.TrimSpace(d.Listen.Series.Text+" into "+d.Listen.Into.Text))
		addresses = append(addresses, d.Answer.Address.Text)
	}
	m["ear"] = strings.Join(ears, "; ")
	m["outputs"] = count(outputs, "output", "outputs")
	m["answers"] = "address " + strings.Join(addresses, ", ") + ", " + count(len(b.Functions), "function", "functions")
	if m["bench"] = "nothing read yet"; len(b.Bench) > 0 {
		m["bench"] = count(len(b.Bench), "reading", "readings")
	}
	noted := 0
	for i := range b.Decoders {
		if f := b.Decoders[i].Fitted; f != nil {
			noted += len(f.Values)
		}
	}
	if m["built"] = "as designed"; noted > 0 {
		m["built"] = count(noted, "part", "parts") + " noted"
	}
	if b.Drawer == nil {
		m["drawer"] = "no drawer yet"
	} else {
		m["drawer"] = count(len(v.proved.Parts.Rows)-1, "kind of part", "kinds of parts") + " wanted"
	}
	return m
}

// naming is what the file says of the build as a whole.
var naming = &build.Block{Doc: "What the build is called.", Attrs: slices.DeleteFunc(slices.Clone(build.Schema().Attrs), func(a build.Attr) bool { return a.Name == "format" })}

func showVehicle(v *view) (string, any) {
	p := sections{Title: "Vehicle", Lead: "What the decoder goes into. What is left open is assumed, and said so."}
	for i := range v.rev.Folder.Build.Vehicles {
		x := &v.rev.Folder.Build.Vehicles[i]
		s := section{Live: fmt.Sprintf("vehicle-%d", i), Title: x.Name.Text}
		s.Forms = append(s.Forms, v.form("", blockAt("vehicle"), "", "vehicle", x.Name.Text), v.form("cavity", blockAt("vehicle", "cavity"), "", "vehicle", x.Name.Text, "cavity"))
		p.List = append(p.List, s)
	}
	p.List = append(p.List, section{Live: "whole-build", Title: "The build", Forms: []formView{v.form("", naming, "")}, Adds: []addView{v.adding(blockAt("vehicle"), []string{"scale", "socket"})}})
	s := section{Live: "socket", Title: "The plug in its socket", State: state(v.all, []string{"socket."})}
	s.add(v.verdicts("v-", "socket."))
	s.add(v.tables("t-", "socket.")...)
	if len(s.Parts) > 0 {
		p.List = append(p.List, s)
	}
	return "sections", p
}

// A readingForm takes a reading of one lamp.
type readingForm struct {
	Action, Vehicle, Lamp, ID string
	Fields, More              []rowView
}

func (v *view) readingForm(vehicle, lamp string) *readingForm {
	f := &readingForm{Action: v.Base + "readings", Vehicle: vehicle, Lamp: lamp, ID: strings.Join(strings.Fields(vehicle+"-"+lamp), "-")}
	b := v.rev.Folder.Build
	for _, a := range blockAt("vehicle", "lamp", "reading").Attrs {
		r := rowView{ID: "r-" + f.ID + "-" + a.Name, Field: a.Name, Name: strings.ReplaceAll(a.Name, "_", " "), Doc: a.Doc, Words: slices.Clone(a.Words), Only: a.Kind == build.KindWord, Assumed: a.Default}
		switch a.Name {
		case "point", "minus", "state", "voltage", "id":
			continue
		case "supply":
			for _, s := range b.Supplies {
				r.Words = append(r.Words, s.Name.Text)
			}
		case "meter", "volt_meter":
			for _, m := range b.Meters {
				r.Words = append(r.Words, m.Name.Text)
			}
		}
		if a.Kind == build.KindFlag {
			r.Words, r.Only = []string{"true"}, true
		}
		switch a.Name {
		case "supply", "track", "current", "meter", "looked", "reversed":
			f.Fields = append(f.Fields, r)
		default:
			f.More = append(f.More, r)
		}
	}
	return f
}

func showLamps(v *view) (string, any) {
	p := sections{Title: "Lamps and their readings", Lead: "Each lamp is what its readings make it: the points over the fit, its spread as a shade."}
	b := v.rev.Folder.Build
	for i := range b.Vehicles {
		x := &b.Vehicles[i]
		for k := range x.Lamps {
			l := &x.Lamps[k]
			id := "lamp." + b.LampKey(x, l.Name.Text)
			s := section{Live: fmt.Sprintf("lamp-%d-%d", i, k), Title: "Lamp " + l.Name.Text, State: state(v.all, []string{id + "."})}
			if len(b.Vehicles) > 1 {
				s.Title += " of " + x.Name.Text
			}
			s.Plates = v.plates(id + ".curve")
			s.add(v.verdicts("v-", id+"."), v.values("s-", id+"."), v.notes(id))
			if len(l.Readings) > 0 {
				s.add(render.Table(readingTable(l), render.HTMLOptions{}))
			}
			s.Reading, s.Strike = v.readingForm(x.Name.Text, l.Name.Text), v.striking(x, l)
			s.add(v.tables("t-", id+".")...)
			s.Forms = append(s.Forms, v.form("What is said of it", blockAt("vehicle", "lamp"), id, "vehicle", x.Name.Text, "lamp", l.Name.Text))
			p.List = append(p.List, s)
		}
	}
	more := section{Live: "more-lamps", Title: "Another lamp"}
	for i := range b.Vehicles {
		add := v.adding(blockAt("vehicle", "lamp"), []string{"kind", "feed", "pin", "wire", "leds", "end", "good", "seen", "never_above"}, "vehicle", b.Vehicles[i].Name.Text)
		if len(b.Vehicles) > 1 {
			add.Kind += " of " + b.Vehicles[i].Name.Text
		}
		more.Adds = append(more.Adds, add)
	}
	p.List = append(p.List, more)
	{
		s := section{Live: "meters", Title: "Meters", Say: "A gain error is common to all readings of one range, so it is an unknown of the fit. A reading without a meter is taken for one of an ordinary hand meter."}
		for i := range b.Meters {
			m := &b.Meters[i]
			s.Forms = append(s.Forms, v.form("meter "+m.Name.Text, blockAt("meter"), "", "meter", m.Name.Text))
			for k := range m.Ranges {
				s.Forms = append(s.Forms, v.form(m.Name.Text+", "+m.Ranges[k].Measures.Text, blockAt("meter", "range"), "", "meter", m.Name.Text, "range", fmt.Sprint(k+1)))
			}
			add := v.adding(blockAt("meter", "range"), []string{"measures", "full", "resolution", "gain", "digits", "burden", "input"}, "meter", m.Name.Text)
			add.Kind += " of meter " + m.Name.Text
			s.Adds = append(s.Adds, add)
		}
		s.Adds = append(s.Adds, v.adding(blockAt("meter"), []string{"true_rms"}))
		p.List = append(p.List, s)
	}
	return "sections", p
}

func readingTable(l *build.Lamp) finding.Table {
	t := finding.Table{Title: "Readings taken", Columns: []finding.Column{{Title: "reading"}, {Title: "date"}, {Title: "supply"}, {Title: "track"}, {Title: "current"}, {Title: "meter"}, {Title: "looked"}, {Title: "note"}}}
	for _, r := range l.Readings {
		supply := r.SupplyName.Text
		if r.Reversed {
			supply += ", reversed"
		}
		shown := r.Current.Text
		switch {
		case shown != "":
		case r.Drop.Text != "":
			shown = r.Drop.Text + " across the LED"
		case r.Resistance.Text != "":
			shown = r.Resistance.Text
		}
		row := []string{r.ID, r.Date, supply, r.Track.Text, shown, r.Meter.Text, r.Looked.Text, r.Note}
		cells := make([]finding.Cell, len(row))
		for i, text := range row {
			cells[i] = finding.Cell{Text: text}
			if text == "" {
				cells[i].Text = "—"
			}
		}
		t.Rows = append(t.Rows, cells)
	}
	return t
}

func showSupply(v *view) (string, any) {
	p := sections{Title: "Track and supply", Lead: "What the rails carry, and the way from there to the chip."}
	b := v.rev.Folder.Build
	track := section{Live: "track", Title: "Track", Forms: []formView{v.form("", blockAt("track"), "", "track")}}
	if track.Forms[0].Make {
		track.Say = "The file has no track block: every voltage is assumed."
	}
	p.List = append(p.List, track)
	for i := range b.Decoders {
		d := &b.Decoders[i]
		s := section{Live: fmt.Sprintf("supply-%d", i), Title: "Decoder " + d.Name.Text, State: state(v.all, []string{"supply.", "chip."})}
		s.Forms = append(s.Forms, v.form("the board", blockAt("decoder"), "", "decoder", d.Name.Text), v.form("rectifier and regulator", blockAt("decoder", "supply"), "supply", "decoder", d.Name.Text, "supply"),
			v.form("chip", blockAt("decoder", "chip"), "chip", "decoder", d.Name.Text, "chip"),
			v.form("acknowledgement", blockAt("decoder", "acknowledge"), "acknowledge", "decoder", d.Name.Text, "acknowledge"))
		p.List = append(p.List, s)
	}
	s := section{Live: "supply-judged", Title: "Judged"}
	s.add(v.values("s-", "supply.", "chip."), v.verdicts("v-", "supply.", "chip.", "acknowledge."))
	s.Cautions = render.Cautions([]finding.Caution{
		{Where: "first power", Text: "Feed a new board through a current limit, or a series resistor where there is no bench supply; never from an unisolated supply. Local rules and qualified people come first."},
		{Where: "live track", Text: "The decoder's minus is not a rail: an earthed instrument or a programmer clipped there under live track shorts the booster."}})
	p.List = append(p.List, s)
	for i := range b.Supplies {
		x := &b.Supplies[i]
		p.List = append(p.List, section{Live: fmt.Sprintf("bench-%d", i), Title: "Supply " + x.Name.Text + " on the bench", Forms: []formView{v.form("", blockAt("supply"), "", "supply", x.Name.Text)}})
	}
	p.List = append(p.List, section{Live: "more-supplies", Title: "Another one", Adds: []addView{v.adding(blockAt("supply"), []string{"kind", "highest", "peak", "frequency", "limit"}), v.adding(blockAt("decoder"), []string{"vehicle"})}})
	return "sections", p
}

func showEar(v *view) (string, any) {
	p := sections{Title: "Ear", Lead: "How the track signal comes to the chip: one resistor into a pin whose clamp diodes hold it."}
	for i := range v.rev.Folder.Build.Decoders {
		d := &v.rev.Folder.Build.Decoders[i]
		p.List = append(p.List, section{Live: fmt.Sprintf("ear-%d", i), Title: "Decoder " + d.Name.Text, State: state(v.all, []string{"ear."}),
			Forms: []formView{v.form("", blockAt("decoder", "listen"), "ear", "decoder", d.Name.Text, "listen")}})
	}
	s := section{Live: "ear-judged", Title: "Judged"}
	s.Plates = v.plates("ear.")
	s.add(v.verdicts("v-", "ear."))
	p.List = append(p.List, s)
	return "sections", p
}

func showOutputs(v *view) (string, any) {
	p := sections{Title: "Outputs", Lead: "Each switch with its lamp. A value can be changed where it stands; what follows from it is judged again at once."}
	if c := v.circuits(); len(c) > 0 {
		p.List = append(p.List, section{Live: "circuit", Title: "Schematic", Plates: c})
	}
	b := v.rev.Folder.Build
	for i := range b.Decoders {
		d := &b.Decoders[i]
		for k := range d.Outputs {
			o := &d.Outputs[k]
			id := wiring.OutputID(b, d, o)
			s := section{Live: fmt.Sprintf("output-%d-%d", i, k), Title: "Output " + o.Name.Text, State: state(v.all, []string{id + "."})}
			if len(b.Decoders) > 1 {
				s.Title += " of decoder " + d.Name.Text
			}
			s.Forms = append(s.Forms, v.form("", blockAt("decoder", "output"), id, "decoder", d.Name.Text, "output", o.Name.Text))
			s.Plates = v.plates(id+".light", id+".saturation")
			s.add(v.verdicts("v-", id+"."), v.notes(id+"."))
			p.List = append(p.List, s)
		}
	}
	more := section{Live: "more-outputs", Title: "Another output"}
	for i := range b.Decoders {
		add := v.adding(blockAt("decoder", "output"), []string{"lamp", "from", "drive", "switch", "series"}, "decoder", b.Decoders[i].Name.Text)
		if len(b.Decoders) > 1 {
			add.Kind += " of decoder " + b.Decoders[i].Name.Text
		}
		more.Adds = append(more.Adds, add)
	}
	p.List = append(p.List, more)
	if t := v.tables("t-", "slips.", "lookalikes."); len(t) > 0 {
		s := section{Live: "slips", Title: "What a slip of the hand does"}
		s.add(t...)
		p.List = append(p.List, s)
	}
	return "sections", p
}

func showAnswers(v *view) (string, any) {
	p := sections{Title: "Answers", Lead: "What the decoder shall obey, and which lamps are lit for it."}
	b := v.rev.Folder.Build
	for i := range b.Decoders {
		d := &b.Decoders[i]
		f := v.form("", blockAt("decoder", "answer"), "", "decoder", d.Name.Text, "answer")
		s := section{Live: fmt.Sprintf("answer-%d", i), Title: "Decoder " + d.Name.Text, Forms: []formView{f}}
		if f.Make {
			s.Say = "The file has no answer block: the address is 3, as a chip comes."
		}
		p.List = append(p.List, s)
	}
	counts := map[string]int{}
	fs := section{Live: "functions", Title: "Functions"}
	for i := range b.Functions {
		name := b.Functions[i].Name.Text
		counts[name]++
		label, title := name, name
		if counts[name] > 1 {
			label = fmt.Sprintf("%s#%d", name, counts[name])
		}
		if dir := b.Functions[i].Direction.Text; dir != "" {
			title += ", " + dir
		}
		fs.Forms = append(fs.Forms, v.form(title, blockAt("function"), "", "function", label))
	}
	fs.Adds = append(fs.Adds, v.adding(blockAt("function"), []string{"decoder", "direction", "output", "effect", "brightness"}))
	p.List = append(p.List, fs)
	if len(b.Vehicles) > 1 {
		s := section{Live: "places", Title: "Places in the train", Say: "Front first; without any, all vehicles in the order of the file."}
		if b.Train != nil {
			for _, t := range b.Train.Vehicles {
				s.Forms = append(s.Forms, v.form(t.Name.Text, blockAt("train", "vehicle"), "", "train", "vehicle", t.Name.Text))
			}
		}
		add := v.adding(blockAt("train", "vehicle"), []string{"turned"}, "train")
		for i := range b.Vehicles {
			add.Name.Words = append(add.Name.Words, b.Vehicles[i].Name.Text)
		}
		add.Kind = "a place for a vehicle"
		s.Adds = append(s.Adds, add)
		p.List = append(p.List, s)
	}
	ws := section{Live: "wants", Title: "What shall be lit", Say: "Without a want it is judged by custom: white leads, red trails."}
	if b.Train != nil {
		for i, w := range b.Train.Wants {
			var on []string
			for _, t := range w.Functions {
				on = append(on, t.Text)
			}
			ws.Forms = append(ws.Forms, v.form(strings.Join(on, ", ")+", "+w.Direction.Text, blockAt("train", "want"), "", "train", "want", fmt.Sprint(i+1)))
		}
	}
	ws.Adds = append(ws.Adds, v.adding(blockAt("train", "want"), []string{"direction", "function", "lit"}, "train"))
	p.List = append(p.List, ws)
	s := section{Live: "train", Title: "Which lamps are lit", State: state(v.all, []string{"train."})}
	s.add(v.tables("t-", "train")...)
	s.add(v.values("s-", "train."), v.verdicts("v-", "train."), v.notes("train"))
	if len(s.Parts) > 0 {
		p.List = append(p.List, s)
	}
	return "sections", p
}
