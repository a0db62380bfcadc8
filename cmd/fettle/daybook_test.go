package main

import (
	"os"
	"strings"
	"testing"
)

// docs/daybook.md says of every command where it is in the daybook.
func TestDaybookHasEveryCommand(t *testing.T) {
	text, err := os.ReadFile("../../docs/daybook.md")
	if err != nil {
		t.Fatal(err)
	}
	_, table, ok := strings.Cut(string(text), "| on the command line | in the daybook |")
	table, _, _ = strings.Cut(table, "\n\n")
	if !ok {
		t.Fatal("there is no table of commands")
	}
	n := 0
	for _, c := range (&app{}).root().Commands() {
		switch name := c.Name(); name {
		case "open", "help", "completion":
		default:
			if n++; !strings.Contains(table, "`"+name+"`") && !strings.Contains(table, "`"+name+" ") {
				t.Errorf("docs/daybook.md does not say where %s is", name)
			}
		}
	}
	if n < 10 {
		t.Errorf("%d commands", n)
	}
}
