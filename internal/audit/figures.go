package audit

import "fettle/internal/finding"

func (o *Audited) figures(f *finding.Findings)       {}
func (o *Audited) sweepFindings(f *finding.Findings) {}
