package parts

import (
	"strings"
	"testing"
)

func TestAmend(t *testing.T) {
	const drawer = "# mine; with a remark\npart,value,count,note\nMMBT3904,,48,\"a, b\"\n,1 kΩ,5,\n"
	cells := map[string]string{"hfe": "147", "hfe_at": "2.4 mA", "hfe_error": "6 %"}
	for _, c := range []struct {
		what, src string
		line      int
		values    map[string]string
		want      string
	}{
		{"columns added", drawer, 3, cells, "# mine; with a remark\npart,value,count,note,hfe,hfe_at,hfe_error\nMMBT3904,,48,\"a, b\",147,2.4 mA,6 %\n,1 kΩ,5,\n"},
		{"a quoted cell", drawer, 3, map[string]string{"note": "x, y"}, strings.Replace(drawer, "a, b", "x, y", 1)},
		{"a row added", drawer, 0, map[string]string{"part": "BC847B", "hfe": "300"}, "# mine; with a remark\npart,value,count,note,hfe\nMMBT3904,,48,\"a, b\"\n,1 kΩ,5,\nBC847B,,,,300\n"},
		{"CRLF, semicolons, no last line end", "part;hfe\r\nMMBT3904;", 2, map[string]string{"hfe": "147"}, "part;hfe\r\nMMBT3904;147"},
		{"a new drawer", "", 0, map[string]string{"part": "BC847B", "hfe": "300"}, "part,hfe\nBC847B,300\n"},
	} {
		got, err := Amend("drawer.csv", []byte(c.src), c.line, c.values)
		if err != nil || string(got) != c.want {
			t.Errorf("%s: %v\n%s\nwanted\n%s", c.what, err, got, c.want)
		}
	}
	for what, values := range map[string]map[string]string{"no such column": {"gain": "1"}, "what no drawer may hold": {"hfe": "-3"}} {
		if got, err := Amend("drawer.csv", []byte(drawer), 3, values); err == nil {
			t.Errorf("%s: %s", what, got)
		}
	}
	if _, err := Amend("drawer.csv", []byte(drawer), 40, cells); err == nil {
		t.Error("a row that is not there")
	}
}

func TestRows(t *testing.T) {
	const drawer = "# mine\r\npart,value,count,note\r\nMMBT3904,,48,\"a, \"\"b\"\"\nc\"\r\n,1 kΩ,5,\r\n"
	for line, want := range map[int]string{3: "# mine\r\npart,value,count,note\r\n,1 kΩ,5,\r\n", 5: "# mine\r\npart,value,count,note\r\nMMBT3904,,48,\"a, \"\"b\"\"\nc\"\r\n"} {
		if got, err := Without("drawer.csv", []byte(drawer), line); err != nil || string(got) != want {
			t.Errorf("line %d: %q %v", line, got, err)
		}
	}
	if got, err := Cells("drawer.csv", []byte(drawer), 3); err != nil || len(got) != 4 || got["note"] != "a, \"b\"\nc" || got["count"] != "48" {
		t.Errorf("%q %v", got, err)
	}
	for _, line := range []int{1, 2, 4, 6} {
		if got, err := Without("drawer.csv", []byte(drawer), line); err == nil {
			t.Errorf("line %d: %q", line, got)
		}
	}
}
