package build

import (
	"bytes"
	"regexp"
	"strings"

	"github.com/hashicorp/hcl/v2"
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

// syntax reports what the parser found, once a line: what follows a slip on its line is mostly its echo.
func (r *reader) syntax(diags hcl.Diagnostics) {
	seen := map[int]bool{}
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
		p := r.report("syntax", at, "%s", say)
		r.lineMends(p, at.Start.Byte)
	}
}

var (
	bareValue = regexp.MustCompile(`^(\s*[a-z_]+\s*=\s*)([^"'#/\s][^"'#/]*?|[^"'#/\s])(\s*(?:(?:#|//).*)?)$`)
	otherMark = regexp.MustCompile(`^(\s*[a-z_]+\s*=\s*)['“”„‘’"]([^'"“”„‘’]*)['“”„‘’"](\s*(?:(?:#|//).*)?)$`)
	unclosed  = regexp.MustCompile(`^(\s*[a-z_]+\s*=\s*)"([^"#]*?)(\s*(?:#.*)?)$`)
)

// lineMends offers quotes where they are missing, unclosed, or not straight.
func (r *reader) lineMends(p *report, at int) {
	text := r.src.text
	start := bytes.LastIndexByte(text[:min(at, len(text))], '\n') + 1
	end := len(text)
	if i := bytes.IndexByte(text[start:], '\n'); i >= 0 {
		end = start + i
	}
	line := strings.TrimSuffix(string(text[start:end]), "\r")
	for _, form := range []*regexp.Regexp{bareValue, otherMark, unclosed} {
		m := form.FindStringSubmatch(line)
		if m == nil {
			continue
		}
		from := start + len(m[1])
		to := start + len(line) - len(m[3])
		name := strings.Fields(m[1])[0]
		name = strings.TrimSuffix(name, "=")
		p.try(r.src.span(from, to), quoted(m[2]), name+" = "+quoted(m[2]))
	}
}
