package fault

import (
	"bytes"
	"encoding/binary"
	"encoding/gob"
	"fmt"
)

// A table is mostly codes: they are kept as they are, two bytes each, the rest as gob.

type head struct {
	Causes  []Cause
	Tests   []Test
	Assumes []string
	Alike   []string
	Counts  []int
}

// MarshalBinary writes the table for a cache.
func (t *Table) MarshalBinary() ([]byte, error) {
	var buf bytes.Buffer
	if err := gob.NewEncoder(&buf).Encode(head{t.Causes, t.Tests, t.Assumes, t.Alike, t.Counts}); err != nil {
		return nil, fmt.Errorf("keeping the fault table: %w", err)
	}
	out := make([]byte, 8, 8+buf.Len()+2*len(t.Codes))
	binary.LittleEndian.PutUint64(out, uint64(buf.Len()))
	out = append(out, buf.Bytes()...)
	for _, c := range t.Codes {
		out = append(out, byte(c), byte(c>>8))
	}
	return out, nil
}

// UnmarshalBinary reads what MarshalBinary wrote.
func (t *Table) UnmarshalBinary(data []byte) error {
	if len(data) < 8 {
		return fmt.Errorf("a kept fault table of %d bytes", len(data))
	}
	n := binary.LittleEndian.Uint64(data)
	if n > uint64(len(data)-8) {
		return fmt.Errorf("a kept fault table that ends in its head")
	}
	var h head
	if err := gob.NewDecoder(bytes.NewReader(data[8 : 8+n])).Decode(&h); err != nil {
		return fmt.Errorf("a kept fault table: %w", err)
	}
	codes := data[8+n:]
	*t = Table{Causes: h.Causes, Tests: h.Tests, Assumes: h.Assumes, Alike: h.Alike, Counts: h.Counts}
	if len(h.Counts) != len(h.Causes) {
		return fmt.Errorf("a kept fault table of %d causes with %d counts", len(h.Causes), len(h.Counts))
	}
	t.lay()
	if want := 2 * t.first[len(t.Causes)] * len(t.Tests); len(codes) != want {
		return fmt.Errorf("a kept fault table of %d bytes, want %d", len(codes), want)
	}
	t.Codes = make([]uint16, len(codes)/2)
	for i := range t.Codes {
		t.Codes[i] = binary.LittleEndian.Uint16(codes[2*i:])
	}
	return nil
}
