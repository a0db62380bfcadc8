package circuit

import (
	"fmt"
	"strings"
)

// Reason is why a circuit cannot be solved as it is drawn.
type Reason string

const (
	FloatingNode Reason = "floating node"    // no path for direct current ties it to ground
	SourceLoop   Reason = "loop of supplies" // nothing limits the current round it
	SupplyShort  Reason = "supply short"     // both ends of a supply on one node
	BadValue     Reason = "bad value"        // not a number, or negative where that means nothing
)

// A TopologyError says why a circuit was refused, in the words of its elements.
type TopologyError struct {
	Reason   Reason
	Message  string
	Elements []Elem
	Nodes    []Node
}

func (e *TopologyError) Error() string { return e.Message }

// sets is union–find over small integers.
type sets []int

func newSets(n int) sets {
	s := make(sets, n)
	for i := range s {
		s[i] = i
	}
	return s
}

func (s sets) find(i int) int {
	for s[i] != i {
		s[i] = s[s[i]]
		i = s[i]
	}
	return i
}

// join unites two sets, the smaller number leading; false if they were one already.
func (s sets) join(a, b int) bool {
	a, b = s.find(a), s.find(b)
	if a == b {
		return false
	}
	s[max(a, b)] = min(a, b)
	return true
}

// a branch of the forest of voltage sources: node stands v·sign above parent.
type branch struct {
	node, parent Node
	elem         Elem
	sign         float64
}

// gate is a MOSFET's terminal that conducts nothing.
const gate = 1

// check refuses circuits that have no solution, or none that is determined. It returns the groups of nodes
// joined by supplies, their branches (parents first), and which nodes are used.
func (c *Circuit) check() (group sets, tree []branch, used []bool, err *TopologyError) {
	n := len(c.nodes)
	used = make([]bool, n)
	used[0] = true
	for i := range c.elements {
		e := &c.elements[i]
		if e.Removed {
			continue
		}
		for _, k := range e.Nodes {
			if int(k) >= n {
				return nil, nil, nil, &TopologyError{BadValue, e.words() + ": connected to a node of another circuit", []Elem{Elem(i)}, nil}
			}
		}
		if wrong := e.check(); wrong != "" {
			return nil, nil, nil, &TopologyError{BadValue, e.words() + ": " + wrong, []Elem{Elem(i)}, nil}
		}
		for _, k := range e.Nodes {
			used[k] = true
		}
	}

	group = newSets(n)
	adjacent := make([][]branch, n)
	for i := range c.elements {
		e := &c.elements[i]
		if e.Removed || e.Kind != KindVoltage {
			continue
		}
		plus, minus := e.Nodes[0], e.Nodes[1]
		if plus == minus {
			return nil, nil, nil, &TopologyError{SupplyShort,
				fmt.Sprintf("%s: both ends lie on %s, so it is shorted", e.words(), c.where(plus)), []Elem{Elem(i)}, []Node{plus}}
		}
		if !group.join(int(plus), int(minus)) {
			loop := append(path(adjacent, minus, plus), Elem(i))
			return nil, nil, nil, &TopologyError{SourceLoop,
				fmt.Sprintf("%s form a loop: nothing limits the current between them", c.list(loop)), loop, []Node{plus, minus}}
		}
		adjacent[minus] = append(adjacent[minus], branch{plus, minus, Elem(i), 1})
		adjacent[plus] = append(adjacent[plus], branch{minus, plus, Elem(i), -1})
	}
	// Walk every group from its leading node.
	queue := make([]branch, 0, n)
	for lead := range n {
		if group.find(lead) != lead {
			continue
		}
		start := len(queue)
		queue = append(queue, adjacent[lead]...)
		for k := start; k < len(queue); k++ {
			at := queue[k]
			for _, b := range adjacent[at.node] {
				if b.elem != at.elem {
					queue = append(queue, b)
				}
			}
		}
	}
	tree = queue

	ties := newSets(n)
	for i := range c.elements {
		e := &c.elements[i]
		if e.Removed || e.Kind == KindCapacitor || e.Kind == KindCurrent {
			continue
		}
		for t, k := range e.Nodes {
			if e.Kind != KindMOSFET || t != gate {
				ties.join(int(e.Nodes[0]), int(k))
			}
		}
	}
	for k := range n {
		if used[k] && ties.find(k) != 0 {
			return nil, nil, nil, c.floating(ties, ties.find(k))
		}
	}
	return group, tree, used, nil
}

// floating describes a set of nodes that nothing ties to ground.
func (c *Circuit) floating(ties sets, lead int) *TopologyError {
	t := &TopologyError{Reason: FloatingNode}
	for k := range c.nodes {
		if ties.find(k) == lead {
			t.Nodes = append(t.Nodes, Node(k))
		}
	}
	for i := range c.elements {
		e := &c.elements[i]
		for _, k := range e.Nodes {
			if !e.Removed && ties.find(int(k)) == lead {
				t.Elements = append(t.Elements, Elem(i))
				break
			}
		}
	}
	if len(t.Nodes) == 1 {
		t.Message = fmt.Sprintf("%s floats: nothing there (%s) conducts direct current to ground", c.where(t.Nodes[0]), c.list(t.Elements))
	} else {
		t.Message = fmt.Sprintf("%s float together: nothing conducts direct current between ground and %s", c.list(t.Elements), c.where(t.Nodes[0]))
	}
	return t
}

// path is the chain of sources from a to b in the forest.
func path(adjacent [][]branch, a, b Node) []Elem {
	var walk func(at Node, by Elem) []Elem
	walk = func(at Node, by Elem) []Elem {
		if at == b {
			return []Elem{}
		}
		for _, s := range adjacent[at] {
			if s.elem == by {
				continue
			}
			if rest := walk(s.node, s.elem); rest != nil {
				return append([]Elem{s.elem}, rest...)
			}
		}
		return nil
	}
	return walk(a, -1)
}

func (c *Circuit) where(n Node) string {
	if n == Ground {
		return "ground"
	}
	if name := c.nodes[n]; name != "" {
		return "node " + name
	}
	return fmt.Sprintf("node %d", n)
}

// list names elements: "A, B and C"; a long list is cut.
func (c *Circuit) list(es []Elem) string {
	const most = 5
	var w []string
	for k, e := range es {
		if k == most && len(es) > most+1 {
			w = append(w, fmt.Sprintf("%d more", len(es)-most))
			break
		}
		w = append(w, c.elements[e].words())
	}
	if len(w) < 2 {
		return strings.Join(w, "")
	}
	return strings.Join(w[:len(w)-1], ", ") + " and " + w[len(w)-1]
}
