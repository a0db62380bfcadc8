package build

import (
	"bytes"
	"regexp"
	"strings"

	"github.com/hashicorp/hcl/v2"

	"fettle/internal/diag"
)

// Words for the slips that people make; any other syntax error keeps the parser's own heading.
var syntaxWords = map[string]string{
	"Missing newline after argument":            "one attribute a line: nothing more is wanted behind the value",
	"Missing newline after block definition":    "a new line is wanted after the closing brace",
	"Unterminated template string":              "the quotes are not closed on this line",
	"Unterminated string literal":               "the quotes are not closed on this line",
	"Invalid multi-line string":                 "the quotes are not closed on this line",
	"Unclosed configuration block":              "this block's closing brace is missing",
	"Unclosed configuration body":               "a closing brace is missing",
	"Argument or block definition required":     "an attribute (name = value) or a block (name { … }) is wanted here",
	"Argument definition required":              "an attribute (name = value) is wanted here",
	"Invalid argument name":                     "attributes have no quotes round their names",
	"Invalid block definition":                  "neither an attribute (name = value) nor a block (name \"…\" { … })",
	"Invalid single-argument block definition":  "a block's opening brace ends its line, then comes one attribute a line",
	"Missing expression":                        "a value is wanted here",
	"Invalid expression":                        "a value is wanted here; texts stand in double quotes",
	"Invalid character":                         "this character has no meaning here; texts stand in double quotes",
	"Invalid escape sequence":                   "a backslash begins nothing known here",
	"Attribute redefined":                       "this attribute stands twice in one block",
	"Invalid number literal":                    "not a number; quantities with a unit stand in double quotes",
	"Missing item separator":                    "a comma is wanted between the items of a list",
	"Unterminated tuple constructor expression": "the list's closing bracket is missing",
}

var (
	attrLine  = regexp.MustCompile(`^\s*([a-zA-Z_][a-zA-Z_0-9-]*)\s*=`)
	bareValue = regexp.MustCompile(`^(\s*[a-z_]+\s*=\s*)([^"'#/\s“”„‘’][^"'#/“”„‘’]*?|[^"'#/\s“”„‘’])(\s*(?:(?:#|//).*)?)$`)
	otherMark = regexp.MustCompile(`^(\s*[a-z_]+\s*=\s*)['“”„‘’"]([^'"“”„‘’]*)['“”„‘’"](\s*(?:(?:#|//).*)?)$`)
	unclosed  = regexp.MustCompile(`^(\s*[a-z_]+\s*=\s*)"([^"#]*?)(\s*(?:#.*)?)$`)
)

// syntax reports what the parser found, once a line: what follows a slip on its line is mostly its echo. It
// returns the text with the lines blanked in which an attribute went wrong, or nil where the trouble is of
// another kind, such as a brace.
func (r *reader) syntax(diags hcl.Diagnostics, text []byte) []byte {
	seen := map[int]bool{}
	var lines, others []*report
	out := bytes.Clone(text)
	for _, d := range diags {
		if d.Severity != hcl.DiagError {
			continue
		}
		at := r.src.span(0, 0)
		if d.Subject != nil {
			at = r.span(*d.Subject)
		}
		if seen[at.Start.Line] {
			continue
		}
		seen[at.Start.Line] = true
		say, known := syntaxWords[d.Summary]
		if !known {
			say = lowerFirst(d.Summary)
		}
		p := &report{Problem: diag.Problem{Code: "syntax", Range: at, Message: say}}
		start, line := r.line(at.Start.Byte)
		m := attrLine.FindStringSubmatch(line)
		if m == nil || strings.HasSuffix(strings.TrimSpace(line), "{") || strings.TrimSpace(string(out[start:start+len(line)])) == "" {
			others = append(others, p)
			continue
		}
		lines = append(lines, p)
		r.lineMends(p, start, line)
		r.blank = append(r.blank, blank{m[1], start})
		for i := start; i < start+len(line); i++ {
			out[i] = ' '
		}
	}
	if len(lines) == 0 {
		r.reports = append(r.reports, others...)
		return nil
	}
	// The other complaints may be echoes of these lines: they come again if they are not.
	r.reports = append(r.reports, lines...)
	return out
}

// quotes reports the attribute lines whose quotes do not close, and blanks them: the parser would read on into
// the next line. Nil: there is none.
func (r *reader) quotes(text []byte) []byte {
	var out []byte
	for _, start := range r.src.lines {
		_, line := r.line(start)
		m := attrLine.FindStringSubmatch(line)
		if m == nil {
			continue
		}
		inside, from := false, 0
	scan:
		for i := 0; i < len(line); i++ {
			switch {
			case inside && line[i] == '\\':
				i++
			case line[i] == '"':
				inside, from = !inside, i
			case !inside && (line[i] == '#' || strings.HasPrefix(line[i:], "//")):
				break scan
			}
		}
		if !inside {
			continue
		}
		p := r.report("syntax", r.src.span(start+from, start+len(line)), "the quotes are not closed on this line")
		r.lineMends(p, start, line)
		r.blank = append(r.blank, blank{m[1], start})
		if out == nil {
			out = bytes.Clone(text)
		}
		for i := start; i < start+len(line); i++ {
			out[i] = ' '
		}
	}
	return out
}

// line is the line around a byte, without its end.
func (r *reader) line(at int) (start int, line string) {
	text := r.src.text
	at = min(at, len(text))
	start = bytes.LastIndexByte(text[:at], '\n') + 1
	end := len(text)
	if i := bytes.IndexByte(text[start:], '\n'); i >= 0 {
		end = start + i
	}
	return start, strings.TrimSuffix(string(text[start:end]), "\r")
}

// lineMends offers quotes where they are missing, unclosed, or not straight.
func (r *reader) lineMends(p *report, start int, line string) {
	for _, form := range []*regexp.Regexp{bareValue, otherMark, unclosed} {
		m := form.FindStringSubmatch(line)
		if m == nil {
			continue
		}
		from, to := start+len(m[1]), start+len(line)-len(m[3])
		name := strings.TrimSuffix(strings.Fields(m[1])[0], "=")
		p.try(r.src.span(from, to), quoted(m[2]), name+" = "+quoted(m[2]))
		if form == bareValue {
			p.Message = "quantities, words and names stand in double quotes"
			p.Range = r.src.span(from, to)
		}
	}
}
