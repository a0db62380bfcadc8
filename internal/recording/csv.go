package recording

import "io"

const separators = ",;\t "

func (r *Recording) beginCSV(head []byte, all io.Reader, set Settings) *choice { return nil }
