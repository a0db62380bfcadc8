// Package live keeps builds in step with their files while somebody works on them: a Shelf is a folder with builds, a Book is
// one build, a Revision is what its files said at one moment.
//
// The files are the one truth. A book looks at them before every change; an edit names the revision that it was made on (its
// base), and where an attribute was changed meanwhile by another hand, the answer is a Conflict that carries the three values.
// Changes to other attributes are no conflict: both stand. Every change goes through the checks of package build before a byte
// is written, and every save is whole: when Edit, Append, Undo or Redo has returned, the new content is on the disk; if the
// process is killed, the file holds the last content that was acknowledged or the one that was just being saved.
//
// Another fettle is kept out of the folder between the look and the save (build.Lock). An editor takes no such lock: between the
// last look at a file and the new name being given to it lies a moment (microseconds) in which its save would be replaced. No
// file system that fettle runs on offers a portable means to close it.
//
// The proof of a revision is computed once, shared by all who wait for it, and stopped when the last one has gone.
//
// Entry points: OpenShelf for a folder, Demo for the embedded demos, which live in memory; Book.Edit, Add, Take, Rename of what the
// build file says, Append, Strike of readings, Drawer, Rewrite, Undo, Redo; Book.Proved, ProveFull; Book.Watch.
package live
