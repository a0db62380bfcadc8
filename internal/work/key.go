package work

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash"
	"maps"
	"math"
	"path/filepath"
	"reflect"
	"slices"

	"fettle/internal/build"
	"fettle/internal/diag"
	"fettle/internal/parts"
	"fettle/internal/unit"
)

// What a question is shown of a build is all that its answer can depend on, and so its key. A comment, a title or a function that
// is given another output asks neither survey nor prove anew, and a changed resistor leaves the lamps what they are.

// ofLamps is the build as survey is shown it: without decoders, and without what is asked of the lamps' light, but for the limit
// that nobody may pass to try them.
func ofLamps(b *build.Build) *build.Build {
	s := *ofCircuits(b)
	s.Decoders, s.Unbuilt = nil, nil
	s.Vehicles = slices.Clone(s.Vehicles)
	for i := range s.Vehicles {
		v := &s.Vehicles[i]
		v.Lamps = slices.Clone(v.Lamps)
		for k := range v.Lamps {
			l := &v.Lamps[k]
			l.Good, l.Seen, l.PeakAbove = build.Quantity[unit.Amp]{}, build.Quantity[unit.Amp]{}, build.Quantity[unit.Amp]{}
		}
	}
	return &s
}

// ofCircuits is the build as choose and prove are shown it: without its text, without what only the train and the prices ask for, and without what
// was read at the bench, which changes no answer that is kept.
func ofCircuits(b *build.Build) *build.Build {
	s := *b
	s.File, s.Source, s.Note = "", nil, build.Text{}
	s.Functions, s.Train, s.Board, s.Bench, s.Cost = nil, nil, nil, nil, nil
	return &s
}

// A places says whether it matters where in the file a thing stands.
type places bool

const (
	withPlaces    places = true
	withoutPlaces places = false
)

// digest is the hash of a build as a question is shown it, of the drawer beside it, and of this very program, whose catalogue is a
// part of it.
func digest(f *build.Folder, b *build.Build, at places) string {
	h := sha256.New()
	fmt.Fprintf(h, "%s\n%d ", program(), len(f.Sources[f.DrawerFile]))
	h.Write(f.Sources[f.DrawerFile])
	put(h, reflect.ValueOf(b), at)
	return hex.EncodeToString(h.Sum(nil)[:16])
}

var (
	placeType     = reflect.TypeFor[diag.Range]()
	catalogueType = reflect.TypeFor[*parts.Catalogue]()
	drawerType    = reflect.TypeFor[*parts.Drawer]()
)

// put writes a value so that different ones are written differently: every piece with its length or in full width.
func put(h hash.Hash, v reflect.Value, at places) {
	switch t := v.Type(); {
	case t == placeType && at == withoutPlaces, t == catalogueType, t == drawerType:
		return // digest has them, or has no use for them
	}
	switch v.Kind() {
	case reflect.Pointer:
		fmt.Fprintf(h, "*%t", v.IsNil())
		if !v.IsNil() {
			put(h, v.Elem(), at)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			put(h, v.Field(i), at)
		}
	case reflect.Slice, reflect.Array:
		fmt.Fprintf(h, "[%d]", v.Len())
		for i := range v.Len() {
			put(h, v.Index(i), at)
		}
	case reflect.String:
		fmt.Fprintf(h, "%d:%s", v.Len(), v.String())
	case reflect.Bool:
		fmt.Fprintf(h, "%t;", v.Bool())
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		fmt.Fprintf(h, "%d;", v.Int())
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		fmt.Fprintf(h, "%d;", v.Uint())
	case reflect.Float32, reflect.Float64:
		fmt.Fprintf(h, "%x;", math.Float64bits(v.Float()))
	default:
		panic(fmt.Sprintf("work: a build holds a %s, which no key can be made of", v.Type()))
	}
}

// revision names the content of a folder, wherever it lies.
func revision(f *build.Folder) string {
	h := sha256.New()
	for _, name := range slices.Sorted(maps.Keys(f.Sources)) {
		fmt.Fprintf(h, "%s %d\n", filepath.Base(name), len(f.Sources[name]))
		h.Write(f.Sources[name])
	}
	return hex.EncodeToString(h.Sum(nil)[:4])
}
