// Package daybook is the local web app: the whole job in the browser, on one's own machine. It serves a shelf of builds
// (package live) and computes nothing of its own.
//
// It is made for one person and the machine they sit at. It listens on loopback; a request counts only if it was sent to the
// address that is served (Host), and one that changes anything only if it comes from a page of the daybook (Origin,
// Sec-Fetch-Site). No page may load or run anything that is not embedded here. docs/daybook.md says it all.
package daybook
