// Package floors holds the import table of the project as a test: data flows up, and a package imports only
// lower floors, and no neighbour unless the table says so.
package floors

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"sort"
	"strings"
	"testing"
)

// floor of every package; the numbers are those of the design.
var floor = map[string]int{
	"internal/unit": 0, "internal/diag": 0, "internal/finding": 0,
	"internal/wave": 1, "internal/recording": 1, "internal/meter": 1, "internal/pin": 1, "internal/fit": 1, "internal/parts": 1,
	"internal/device": 2, "internal/dcc": 2,
	"internal/circuit": 3,
	"internal/build":   4,
	"internal/wiring":  5,
	"internal/spread":  6, "internal/require": 6, "internal/defect": 6, "internal/socket": 6, "internal/probe": 6,
	"internal/survey": 7, "internal/choose": 7, "internal/prove": 7, "internal/leads": 7, "internal/train": 7,
	"internal/audit": 7, "internal/bench": 7, "internal/experiment": 7, "internal/fault": 7,
	"internal/draw": 8, "internal/render": 8,
	"internal/work": 9, "internal/understand": 9, "internal/live": 9,
	"internal/sheet": 10, "internal/daybook": 10, "internal/eyes": 0, "cmd/fettle": 10,
	// Embedded data: no code of their own, readable from every floor above the files.
	"examples": 0, "docs": 0, "examples/track": 10, // the generator of its recordings
	"internal/floors": 10,
}

// neighbours that may be imported on the same floor.
var neighbour = map[string][]string{
	"internal/diag":       {"internal/unit"},
	"internal/finding":    {"internal/unit"},
	"internal/meter":      {"internal/wave"},
	"internal/recording":  {"internal/wave"},
	"internal/parts":      {"internal/unit"},
	"internal/render":     {"internal/draw"},
	"internal/require":    {"internal/spread"}, // docs/decisions.md says why
	"internal/understand": {"internal/work"},
	"internal/live":       {"internal/work"},
	"internal/daybook":    {"internal/sheet"},
	"cmd/fettle":          {"internal/sheet", "internal/daybook"},
}

func TestImportsFlowUp(t *testing.T) {
	root := "../.."
	seen := map[string]bool{}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if name := d.Name(); name == "node_modules" || name == "testdata" || (strings.HasPrefix(name, ".") && path != root) {
				return filepath.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(path, ".go") {
			return nil
		}
		rel, err := filepath.Rel(root, filepath.Dir(path))
		if err != nil {
			return err
		}
		pkg := filepath.ToSlash(rel)
		own, ok := floor[pkg]
		if !ok {
			t.Errorf("%s: package %s stands on no floor; add it to the table", path, pkg)
			return nil
		}
		seen[pkg] = true
		if strings.HasSuffix(path, "_test.go") {
			return nil // a test may look down from anywhere
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		for _, imp := range file.Imports {
			dep, ok := strings.CutPrefix(strings.Trim(imp.Path.Value, `"`), "fettle/")
			if !ok {
				continue
			}
			below, known := floor[dep]
			switch {
			case !known:
				t.Errorf("%s imports %s, which stands on no floor", path, dep)
			case below > own:
				t.Errorf("%s (floor %d) imports %s (floor %d): upwards", path, own, dep, below)
			case below == own && !contains(neighbour[pkg], dep):
				t.Errorf("%s imports its neighbour %s (floor %d)", path, dep, own)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	var missing []string
	for pkg := range floor {
		if !seen[pkg] {
			if _, err := os.Stat(filepath.Join(root, pkg)); err != nil {
				missing = append(missing, pkg)
			}
		}
	}
	sort.Strings(missing)
	if len(missing) > 0 {
		t.Errorf("the table names packages that do not exist: %v", missing)
	}
}

func contains(list []string, s string) bool {
	for _, l := range list {
		if l == s {
			return true
		}
	}
	return false
}
