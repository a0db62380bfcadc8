package build

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"fettle/internal/diag"
	"fettle/internal/parts"
	"fettle/internal/unit"
)

// A Question is one that a face asks to start a build. An empty answer takes the default; "?" leaves open what
// can be left open.
type Question struct {
	Key     string   // of the answer
	Ask     string   // "In which scale?"
	Help    string   // one or two sentences
	Default string   // taken for an empty answer; "" leaves it open
	Options []string // where only these are understood
	check   func(answer string) string
}

// Check says what is wrong with an answer, or "".
func (q Question) Check(answer string) string {
	answer = strings.TrimSpace(answer)
	if answer == "" || answer == "?" {
		return ""
	}
	if len(q.Options) > 0 && !has(q.Options, answer) {
		return fmt.Sprintf("%q: one of %s is wanted%s", answer, alternatives(q.Options, "or"), didYouMean(guess(answer, q.Options)))
	}
	if q.check == nil {
		return ""
	}
	return q.check(answer)
}

// A NewFile is one file of a new build.
type NewFile struct {
	Name string
	Data []byte
}

var lampNames = regexp.MustCompile(`\s*,\s*`)

// Questions returns what to ask, in order, given the answers so far: a face asks the first that it has not
// asked yet and calls again, since some answers bring further questions (one set for each lamp).
func Questions(answers map[string]string) []Question {
	cat := parts.Load()
	attr := func(b *Block, name string) *Attr { return b.attr(name) }
	quantity := func(a *Attr) func(string) string {
		return func(s string) string { return wrong(a, s) }
	}
	word := func(key, ask, help string, a *Attr, fallback string) Question {
		return Question{Key: key, Ask: ask, Help: help, Default: fallback, Options: built(a)}
	}
	part := func(find func(string) bool, what string) func(string) string {
		return func(s string) string {
			if find(s) {
				return ""
			}
			return fmt.Sprintf("%q: %s is wanted", s, what)
		}
	}
	var sockets []string
	for _, s := range cat.Sockets() {
		sockets = append(sockets, s.Name)
	}
	sockets = append(sockets, "wires")

	list := []Question{
		{Key: "vehicle", Ask: "What is the vehicle called?", Help: "A name of your own; the build file is named after it.", Default: "my vehicle", check: plainText},
		word("scale", "In which scale?", "It decides what the decoder must survive.", attr(vehicleBlock, "scale"), "N"),
		{Key: "socket", Ask: "Which socket has it?", Help: "\"wires\" where there is none.", Default: "NEM 651", Options: sockets},
		{Key: "room", Ask: "How much room is there for the board, length × width × height?", Help: "For example 40 × 12 × 8 mm.", check: func(s string) string {
			if _, why := room(s); why != "" {
				return why
			}
			return ""
		}},
		{Key: "lamps", Ask: "Which lamps has it?", Help: "Their names, with commas between.", Default: "front, rear", check: func(s string) string {
			seen := map[string]bool{}
			for _, n := range lampNames.Split(s, -1) {
				if why := plainText(n); why != "" || n == "" {
					return fmt.Sprintf("%q is no name for a lamp", n)
				}
				if seen[n] {
					return fmt.Sprintf("two lamps are called %q", n)
				}
				seen[n] = true
			}
			if len(seen) > 12 {
				return fmt.Sprintf("%d lamps: 12 is the most that is asked for here", len(seen))
			}
			return ""
		}},
		{Key: "meter", Ask: "What do you call your multimeter?", Help: "It is taken for an ordinary hand meter until its ranges are written into the file.", Default: "hand meter", check: plainText},
	}
	taken := map[string]bool{}
	for i, lamp := range lampList(answers) {
		key := fmt.Sprintf("lamp %d ", i+1)
		q := func(name, ask, help, fallback string, check func(string) string) {
			list = append(list, Question{Key: key + name, Ask: fmt.Sprintf("Lamp %q: %s", lamp, ask), Help: help, Default: fallback, check: check})
		}
		feed := word(key+"feed", fmt.Sprintf("Lamp %q: where is its unswitched side joined?", lamp), "In a vehicle with a six-pin socket it is mostly the left rail (black).", attr(lampBlock, "feed"), LeftRail)
		list = append(list, feed)
		if socket, ok := cat.Socket(answer(answers, "socket", "NEM 651")); ok {
			fallback := ""
			for _, p := range socket.Pins {
				n := strconv.Itoa(p.Number)
				if !taken[n] && (strings.Contains(p.Signal, "light") || strings.HasPrefix(p.Signal, "F0")) && (fallback == "" || strings.Contains(p.Signal, lamp)) {
					fallback = n
				}
			}
			q("pin", "which pin of the socket switches it?", "Pins of "+socket.Name+" are counted from 1 to "+strconv.Itoa(len(socket.Pins))+".", fallback, func(s string) string {
				n, err := strconv.Atoi(s)
				if err != nil || n < 1 || n > len(socket.Pins) {
					return fmt.Sprintf("%q: a pin from 1 to %d is wanted", s, len(socket.Pins))
				}
				for j := 0; j < i; j++ {
					if answers[fmt.Sprintf("lamp %d pin", j+1)] == s {
						return fmt.Sprintf("lamp %q is on pin %s already", lampList(answers)[j], s)
					}
				}
				return ""
			})
			taken[answer(answers, key+"pin", fallback)] = true
		}
		list = append(list, word(key+"leds", fmt.Sprintf("Lamp %q: what colour is its light?", lamp), "", attr(lampBlock, "leds"), ""))
		q("good", "which mean current looks right?", "0.5 to 5 mA is ample in N (common practice, no source).", "2 mA", quantity(attr(lampBlock, "good")))
		q("seen", "at which is it still clearly lit?", "Held against the lowest track voltage.", "0.5 mA", quantity(attr(lampBlock, "seen")))
		q("never_above", "which must it never pass?", "Held against the highest track voltage.", "10 mA", quantity(attr(lampBlock, "never_above")))
		for k := 1; ; k++ {
			rk := fmt.Sprintf("%sreading %d", key, k)
			ask := "a reading, if you have one: voltage of the supply and current, straight between its feed and its pin?"
			if k > 1 {
				ask = "another reading?"
			}
			q(fmt.Sprintf("reading %d", k), ask, "For example 6.0 V 3.10 mA; nothing for none. From a smooth supply, with nothing in the socket.", "", func(s string) string {
				_, _, why := voltAmp(s)
				return why
			})
			if a := strings.TrimSpace(answers[rk]); a == "" || a == "?" || k == 20 {
				break
			}
		}
	}
	list = append(list,
		Question{Key: "low", Ask: "Lowest track voltage at which the lights shall be seen?", Default: trackBlock.attr("low").Default, Help: "Amplitude of the DCC signal.", check: quantity(attr(trackBlock, "low"))},
		Question{Key: "usual", Ask: "Usual track voltage?", Default: trackBlock.attr("usual").Default, check: quantity(attr(trackBlock, "usual"))},
		Question{Key: "high", Ask: "Highest track voltage you will run on?", Default: trackBlock.attr("high").Default, check: quantity(attr(trackBlock, "high"))},
		word("dc", "Shall lights work on plain DC too?", "A lamp fed from one rail is lit in one direction only.", attr(trackBlock, "dc"), DCNone),
		Question{Key: "rectifier", Ask: "Which bridge rectifier?", Default: "MB6S", check: part(func(s string) bool { d, ok := cat.Diode(s); return ok && d.Type == "bridge" }, "a bridge of the catalogue")},
		Question{Key: "regulator", Ask: "Which regulator?", Default: "78L05A (TO-92)", check: part(func(s string) bool { _, ok := cat.Regulator(s); return ok }, "a regulator of the catalogue")},
		Question{Key: "chip", Ask: "Which chip?", Default: "ATtiny85", check: part(func(s string) bool { _, ok := cat.Chip(s); return ok }, "a chip of the catalogue")},
		Question{Key: "switch", Ask: "Which transistor switches the lamps?", Default: "MMBT3904", Help: "An NPN; \"choose\" leaves it to fettle.", check: part(func(s string) bool {
			b, ok := cat.BJT(s)
			return s == "choose" || ok && b.Polarity == parts.NPN
		}, "an NPN of the catalogue, or \"choose\"")},
		Question{Key: "address", Ask: "Which address shall it answer to?", Default: "3", check: func(s string) string {
			if n, err := strconv.Atoi(s); err != nil || n < 1 || n > 10239 {
				return fmt.Sprintf("%q: addresses run from 1 to 10239", s)
			}
			return ""
		}},
	)
	return list
}

// built is the words of an attribute that something answers.
func built(a *Attr) []string {
	var list []string
	for _, w := range a.Words {
		if !has(a.Later, w) {
			list = append(list, w)
		}
	}
	return list
}

// wrong holds a text against an attribute as if it stood in the file.
func wrong(a *Attr, s string) string {
	r := &reader{src: newSource("", []byte(quoted(s)))}
	v := r.value(a, literal{kind: 's', text: s, at: r.src.span(0, len(r.src.text))})
	if v.ok {
		return ""
	}
	_, why, _ := strings.Cut(r.reports[0].Message, ": ")
	return fmt.Sprintf("%q: %s", s, why)
}

// plainText says what is wrong with a name.
func plainText(s string) string {
	if strings.ContainsAny(s, "\n\r\x00#\"") || len(s) > 60 || strings.TrimSpace(s) == "" {
		return fmt.Sprintf("%q: a short name on one line is wanted", s)
	}
	return ""
}

var roomForm = regexp.MustCompile(`^\s*([0-9.,]+)\s*(?:mm)?\s*[x×*]\s*([0-9.,]+)\s*(?:mm)?\s*[x×*]\s*([0-9.,]+)\s*(?:mm)?\s*$`)

// room reads "40 x 12 x 8 mm".
func room(s string) (size [3]string, why string) {
	m := roomForm.FindStringSubmatch(s)
	if m == nil {
		return size, fmt.Sprintf("%q: three lengths in mm are wanted, as 40 × 12 × 8 mm", s)
	}
	for i := range size {
		size[i] = m[i+1] + " mm"
		if why := wrong(vehicleBlock.block("cavity").attr("length"), size[i]); why != "" {
			return size, why
		}
	}
	return size, ""
}

var voltAmpForm = regexp.MustCompile(`^\s*(.*?[Vv](?:olts?)?)[\s,;]+(.*)$`)

// voltAmp reads "6.0 V 3.10 mA".
func voltAmp(s string) (volt, amp, why string) {
	m := voltAmpForm.FindStringSubmatch(s)
	if m == nil {
		return "", "", fmt.Sprintf("%q: a voltage and a current are wanted, as 6.0 V 3.10 mA", s)
	}
	volt, amp = strings.TrimSpace(m[1]), strings.TrimSpace(m[2])
	if why := wrong(readingBlock.attr("track"), volt); why != "" {
		return "", "", why
	}
	if why := wrong(readingBlock.attr("current"), amp); why != "" {
		return "", "", why
	}
	return volt, amp, ""
}

func answer(answers map[string]string, key, fallback string) string {
	switch a := strings.TrimSpace(answers[key]); a {
	case "":
		return fallback
	case "?":
		return ""
	default:
		return a
	}
}

func lampList(answers map[string]string) []string {
	names := answer(answers, "lamps", "front, rear")
	if names == "" {
		return nil
	}
	return lampNames.Split(names, -1)
}

// New turns answers into the files of a build: the build file, readings.csv and drawer.csv. What was not
// answered is left out; day ("2026-02-28", or "") dates the readings. The files have been read back; problems
// with the answers are in the list, and then there are no files.
func New(answers map[string]string, day string) ([]NewFile, diag.List) {
	var list diag.List
	given := map[string]string{}
	for _, q := range Questions(answers) {
		if why := q.Check(answers[q.Key]); why != "" {
			list.Add("answer", diag.Range{File: q.Key}, "%s", why)
		}
		given[q.Key] = answer(answers, q.Key, q.Default)
		if q.Key == "vehicle" && given[q.Key] == "" {
			given[q.Key] = q.Default // a block needs a name
		}
	}
	if len(list) > 0 {
		return nil, list
	}
	var b strings.Builder
	p := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	// set writes an attribute if there is an answer, and its line as a comment if not.
	set := func(indent string, block *Block, name, value string, width int) {
		a := block.attr(name)
		r := reader{}
		switch {
		case value != "":
			p("%s%s = %s", indent, pad(name, width), r.shown(a, value))
		default:
			p("%s# %s = %s # %s", indent, pad(name, width), a.Example, a.Doc)
		}
	}
	p("# What is known of this build and what is wanted. What is left open, or says \"choose\", fettle chooses.")
	p("# Every block and attribute is described in docs/build-file.md.\n")
	p("format = 1\n")
	p("vehicle %s {", quoted(given["vehicle"]))
	set("  ", vehicleBlock, "scale", given["scale"], 6)
	set("  ", vehicleBlock, "socket", given["socket"], 6)
	if given["room"] != "" {
		size, _ := room(given["room"])
		p("\n  cavity {")
		for i, name := range []string{"length", "width", "height"} {
			set("    ", vehicleBlock.block("cavity"), name, size[i], 6)
		}
		p("  }")
	}
	var readings []Reading
	lamps := lampList(answers)
	for i, lamp := range lamps {
		key := fmt.Sprintf("lamp %d ", i+1)
		p("\n  lamp %s {", quoted(lamp))
		for _, name := range []string{"feed", "pin", "leds"} {
			if name != "pin" || given["socket"] != "wires" && given["socket"] != "" {
				set("    ", lampBlock, name, given[key+name], 11)
			}
		}
		p("    # Mean currents: right at the usual voltage, still clearly lit at the lowest, too much at the highest.")
		for _, name := range []string{"good", "seen", "never_above"} {
			set("    ", lampBlock, name, given[key+name], 11)
		}
		p("  }")
		for k := 1; ; k++ {
			a := given[fmt.Sprintf("%sreading %d", key, k)]
			if a == "" {
				break
			}
			volt, amp, _ := voltAmp(a)
			readings = append(readings, Reading{
				Date: day, Vehicle: given["vehicle"], Lamp: lamp, Supply: SmoothDC, Meter: Words(given["meter"]),
				Track: Quantity[unit.Volt]{Text: volt}, Current: Quantity[unit.Amp]{Text: amp},
			})
		}
	}
	p("}\n")
	p("# What the rails carry where it runs: the amplitude of the DCC signal.")
	p("track {")
	for _, name := range []string{"low", "usual", "high", "dc"} {
		set("  ", trackBlock, name, given[name], 5)
	}
	p("}\n")
	if given["meter"] != "" {
		p("# Without ranges it is taken for an ordinary hand meter; write them in from its leaflet.")
		p("meter %s {\n}\n", quoted(given["meter"]))
	}
	p("decoder \"a\" {")
	p("  supply {")
	set("    ", decoderBlock.block("supply"), "rectifier", given["rectifier"], 9)
	p("    reservoir = \"choose\"")
	set("    ", decoderBlock.block("supply"), "regulator", given["regulator"], 9)
	p("  }\n  chip {")
	set("    ", decoderBlock.block("chip"), "part", given["chip"], 5)
	p("    clock = %q", decoderBlock.block("chip").attr("clock").Default)
	p("  }\n  listen {\n    from   = %q\n    into   = \"PB2\"\n    series = \"choose\"\n  }", LeftRail)
	pins := []string{"PB0", "PB1", "PB3", "PB4"} // PB2 is the ear, PB5 the reset
	if given["chip"] == "" {
		pins = nil
	}
	for i, lamp := range lamps {
		if i >= len(pins) {
			p("  # Lamp %s has no output: the chip has no pin left for it.", quoted(lamp))
			continue
		}
		p("  output %s {", quoted(lamp))
		out := decoderBlock.block("output")
		set("    ", out, "lamp", lamp, 8)
		set("    ", out, "from", pins[i], 8)
		set("    ", out, "switch", given["switch"], 8)
		for _, name := range []string{"series", "base", "pulldown"} {
			set("    ", out, name, "choose", 8)
		}
		p("  }")
	}
	p("  answer {")
	set("    ", decoderBlock.block("answer"), "address", given["address"], 7)
	p("  }\n}")
	// A lamp called front or rear goes with the direction, as light keys usually do (common practice).
	for i, lamp := range lamps {
		if i >= len(pins) {
			continue
		}
		direction := map[string]string{"front": "forward", "rear": "reverse"}[strings.ToLower(lamp)]
		p("\nfunction \"F0\" {")
		if direction != "" {
			p("  direction = %q", direction)
		}
		p("  output    = %s\n}", quoted(lamp))
	}

	rows := []byte(`# Readings, one a line; new ones go below. Columns: docs/build-file.md.
` + strings.Join(Columns(), ",") + "\n")
	if len(readings) > 0 {
		more, err := addition(rows, false, rowsOf(readings))
		if err != nil {
			list.Add("answer", diag.Range{File: ReadingsName}, "%s", err)
			return nil, list
		}
		rows = append(rows, more...)
	}
	drawer := []byte(`# The parts on hand, one bag a line; it opens in any spreadsheet. A few examples to change:
part,value,kind,package,count,price,tolerance,voltage,hfe,hfe_at,note
# MMBT3904,,transistor,SOT-23,20,0.03,,,180,2 mA,gain measured on one of them
# ,4.7 kΩ,resistor,0805,25,0.01,5 %,,,,
# ,22 µF,capacitor,radial,5,0.06,20 %,35 V,,,
`)
	name := fileName(given["vehicle"]) + Suffix
	src := []byte(b.String())
	d, problems := parts.ReadDrawer(DrawerName, drawer, parts.Load())
	list = append(list, problems...)
	_, problems = Load(name, src, Beside{ReadingsFile: ReadingsName, Readings: rows, Drawer: d})
	if list = append(list, problems...); len(list) > 0 {
		return nil, list
	}
	return []NewFile{{name, src}, {ReadingsName, rows}, {DrawerName, drawer}}, nil
}

var notInFileName = regexp.MustCompile(`[^\pL\pN]+`)

// fileName makes a name that every file system takes.
func fileName(vehicle string) string {
	s := strings.Trim(notInFileName.ReplaceAllString(strings.ToLower(vehicle), "-"), "-")
	if s == "" {
		return "build"
	}
	return s
}
