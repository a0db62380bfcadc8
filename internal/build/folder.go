package build

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"sort"
	"strings"

	"fettle/internal/diag"
	"fettle/internal/parts"
)

// Names in a build's folder.
const (
	Suffix       = ".fettle"
	ReadingsName = "readings.csv"
	DrawerName   = "drawer.csv"
)

// NoBuildHere is the code of the problem that a folder holds no build file.
const NoBuildHere = "folder-empty"

// A Folder is one build with the files it came from.
type Folder struct {
	Dir          string
	File         string // the build file
	ReadingsFile string // where readings go; it need not be there yet
	DrawerFile   string // "" where there is none
	Build        *Build // nil if a problem is an error
	Sources      map[string][]byte
}

// tree is what Open needs of a file system.
type tree struct {
	read  func(name string) ([]byte, error)
	names func(dir string) ([]string, error)
	join  func(elem ...string) string
	up    func(dir string) (string, bool)
}

// Open finds and loads a build: path is a build file, or a folder that holds one. readings.csv lies beside it;
// drawer.csv too, or one folder up. What the user can mend is in the list; the error is for the rest (a folder
// that cannot be read). Without errors in the list the folder's Build is there.
func Open(path string) (*Folder, diag.List, error) {
	t := tree{
		read: os.ReadFile,
		names: func(dir string) ([]string, error) {
			entries, err := os.ReadDir(dir)
			return fileNames(entries), err
		},
		join: filepath.Join,
		up: func(dir string) (string, bool) {
			abs, err := filepath.Abs(dir)
			return filepath.Join(dir, ".."), err == nil && filepath.Dir(abs) != abs
		},
	}
	info, err := os.Stat(path)
	if err != nil {
		if strings.HasSuffix(path, Suffix) && errors.Is(err, fs.ErrNotExist) {
			return nil, missingFile(t, path, filepath.Dir(path)), nil
		}
		return nil, nil, fmt.Errorf("opening the build: %w", err)
	}
	if info.IsDir() {
		return t.open(path, "")
	}
	return t.open(filepath.Dir(path), path)
}

// OpenFS is Open for a folder of a file system, such as the embedded demo.
func OpenFS(fsys fs.FS, dir string) (*Folder, diag.List, error) {
	t := tree{
		read: func(name string) ([]byte, error) { return fs.ReadFile(fsys, name) },
		names: func(dir string) ([]string, error) {
			entries, err := fs.ReadDir(fsys, dir)
			return fileNames(entries), err
		},
		join: path.Join,
		up:   func(dir string) (string, bool) { return path.Dir(dir), dir != "." },
	}
	return t.open(dir, "")
}

// OpenIn is Open for a path inside a root: nothing outside it is read, whatever symbolic links say, but the drawer that may
// lie one folder up. Names of files are relative to the root.
func OpenIn(root *os.Root, name string) (*Folder, diag.List, error) {
	above := filepath.Join("..", DrawerName)
	t := tree{
		read: func(name string) ([]byte, error) {
			if name == above {
				return os.ReadFile(filepath.Join(root.Name(), above))
			}
			return root.ReadFile(name)
		},
		names: func(dir string) ([]string, error) {
			entries, err := fs.ReadDir(root.FS(), filepath.ToSlash(dir))
			return fileNames(entries), err
		},
		join: filepath.Join,
		up:   func(dir string) (string, bool) { return filepath.Join(dir, ".."), true },
	}
	if _, err := root.Lstat(name); errors.Is(err, fs.ErrNotExist) {
		return nil, missingFile(t, name, filepath.Dir(name)), nil
	}
	return t.open(filepath.Dir(name), name)
}

func fileNames(entries []fs.DirEntry) []string {
	var names []string
	for _, e := range entries {
		if !e.IsDir() {
			names = append(names, e.Name())
		}
	}
	sort.Strings(names)
	return names
}

func (t tree) builds(dir string) ([]string, error) {
	names, err := t.names(dir)
	var found []string
	for _, n := range names {
		if strings.HasSuffix(n, Suffix) && !strings.HasPrefix(n, ".") {
			found = append(found, n)
		}
	}
	return found, err
}

func missingFile(t tree, file, dir string) diag.List {
	var list diag.List
	p := list.Add("folder-missing", diag.Range{File: file}, "there is no such build file")
	if found, err := t.builds(dir); err == nil {
		g := guess(filepath.Base(file), found)
		p.Message += didYouMean(g)
	}
	return list
}

func (t tree) open(dir, file string) (*Folder, diag.List, error) {
	var list diag.List
	if file == "" {
		found, err := t.builds(dir)
		if err != nil {
			return nil, nil, fmt.Errorf("opening the build: %w", err)
		}
		switch len(found) {
		case 0:
			list.Add(NoBuildHere, diag.Range{File: dir}, "no build file (NAME%s) lies here; fettle new starts one", Suffix)
			return nil, list, nil
		case 1:
			file = t.join(dir, found[0])
		default:
			list.Add("folder-several", diag.Range{File: dir}, "%d build files lie here: %s; say which is meant", len(found), strings.Join(found, ", "))
			return nil, list, nil
		}
	}
	src, err := t.read(file)
	if err != nil {
		return nil, nil, fmt.Errorf("reading the build file: %w", err)
	}
	f := &Folder{Dir: dir, File: file, ReadingsFile: t.join(dir, ReadingsName), Sources: map[string][]byte{file: src}}
	beside := Beside{ReadingsFile: f.ReadingsFile, Catalogue: parts.Load()}
	beside.Readings, err = t.read(f.ReadingsFile)
	switch {
	case err == nil:
		f.Sources[f.ReadingsFile] = beside.Readings
	case !errors.Is(err, fs.ErrNotExist):
		return nil, nil, fmt.Errorf("reading the readings: %w", err)
	}
	places := []string{dir}
	if up, ok := t.up(dir); ok {
		places = append(places, up)
	}
	for _, place := range places {
		name := t.join(place, DrawerName)
		data, err := t.read(name)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, nil, fmt.Errorf("reading the drawer: %w", err)
		}
		f.DrawerFile, f.Sources[name] = name, data
		beside.Drawer, list = parts.ReadDrawer(name, data, beside.Catalogue)
		break
	}
	b, problems := Load(file, src, beside)
	list = append(list, problems...)
	list.Sort()
	if !list.HasErrors() {
		f.Build = b
	}
	return f, list, nil
}
