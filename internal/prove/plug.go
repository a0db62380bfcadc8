package prove

import (
	"fettle/internal/finding"
	"fettle/internal/socket"
	"fettle/internal/wiring"
)

// Plug judges how the decoder's plug is used and what comes of it turned round, against the ratings that slips are held
// against.
func Plug(n *wiring.Network) ([]finding.Judgement, []finding.Table) {
	return socket.Judge(n, func(n *wiring.Network, op *wiring.Operating) []socket.Stress {
		var list []socket.Stress
		for _, s := range stresses(n, op) {
			list = append(list, socket.Stress{Part: s.part, What: s.what, Value: s.value, Rating: s.rating, Unit: s.sym})
		}
		return list
	})
}
