package daybook

import (
	"io"
	"net/http"
	"net/url"
	"os"
	"path"
	"strings"

	"fettle/internal/audit"
	"fettle/internal/dcc"
	"fettle/internal/recording"
)

// mostSchedule is the longest schedule that is taken.
const mostSchedule = 20000

// schedule plays what a command station is to send, and keeps it as a recording that was brought: fields schedule, and as, vcd or
// csv. It leads to its page, where it is judged like any other.
func (d *Daybook) schedule(w http.ResponseWriter, r *http.Request) {
	b, ok := d.book(w, r)
	if !ok || !d.form(w, r) {
		return
	}
	text, as := strings.ReplaceAll(r.PostForm.Get("schedule"), "\r\n", "\n"), r.PostForm.Get("as")
	if len(text) > mostSchedule || as != "vcd" && as != "csv" {
		d.say(w, r, http.StatusUnprocessableEntity, "No schedule", "A schedule of up to 20000 characters is played as vcd or csv.")
		return
	}
	plan, list := dcc.ParseSchedule("the schedule", []byte(text))
	if list.HasErrors() {
		d.answer(w, r, b, nil, list)
		return
	}
	source, err := plan.Source()
	if err != nil {
		d.answer(w, r, b, nil, err)
		return
	}
	from, to := io.Pipe()
	go func() {
		var err error
		if as == "vcd" {
			err = recording.WriteVCD(to, source, "a schedule, played")
		} else {
			err = recording.WriteCSV(to, source)
		}
		to.CloseWithError(err)
	}()
	u, err := d.spool.keep("schedule."+as, from, d.uploadLimit())
	from.CloseWithError(io.ErrClosedPipe) // who still writes stops
	if err != nil {
		d.notTaken(w, r, err)
		return
	}
	at := home(b) + "track?recording=" + url.QueryEscape(u.ID)
	if wantsJSON(r) {
		writeJSON(w, http.StatusOK, answerJSON{ID: u.ID, To: at})
		return
	}
	http.Redirect(w, r, at, http.StatusSeeOther)
}

// saveRecording is a recording as it was brought, or with as=jsonl or csv a record of every packet in it.
func (d *Daybook) saveRecording(w http.ResponseWriter, r *http.Request) {
	id, as := r.URL.Query().Get("recording"), r.URL.Query().Get("as")
	file, name, err := d.openRecording(id)
	if err != nil {
		d.say(w, r, http.StatusNotFound, "No such recording", "That recording is not kept any more: bring it once more.")
		return
	}
	defer file.Close()
	if at, _ := keptAs(id); at == embeddedID {
		name = path.Base(embedded)
	}
	if as == "" {
		w.Header().Set("Content-Type", "application/octet-stream")
		w.Header().Set("Content-Disposition", "attachment; filename*=UTF-8''"+url.PathEscape(name))
		_, _ = io.Copy(w, file) // a browser that has gone needs none
		return
	}
	set, how, wrong := settingsOf(id)
	rec, _ := recording.Open(file, name, how) // what is wrong with it its page says
	if len(wrong) > 0 || rec == nil || as != "jsonl" && as != "csv" {
		d.say(w, r, http.StatusNotFound, "No packets", "That recording cannot be read so; its page says why.")
		return
	}
	// It is written beside first: what is saved is whole.
	out, err := os.CreateTemp("", "fettle-packets-*")
	if err == nil {
		defer os.Remove(out.Name())
		defer out.Close()
		records := audit.NewRecordWriter(out, as == "csv")
		set.Packet = records.Packet
		if _, err = audit.Recording(r.Context(), rec, set); err == nil {
			err = records.Flush()
		}
	}
	if err == nil {
		_, err = out.Seek(0, io.SeekStart)
	}
	if err != nil {
		d.log.Error("packets", "err", err)
		d.say(w, r, http.StatusInternalServerError, "Not written", "The packets could not be written to their end; fettle has said why where it was started.")
		return
	}
	attach(w, name+" packets", as)
	_, _ = io.Copy(w, out) // a browser that has gone needs none
}
