package circuit

import (
	"fmt"
	"math/bits"
	"slices"
)

// Plan is a compiled circuit: which element lies on which branch, the order
// of elimination and its program. It does not change and may be shared; the
// values live in a [Workspace].
type Plan struct {
	circuit Circuit // a private copy of the rows
	places  []int32 // declared place (Earth 0) to position
	index   map[string]int
	names   []string // position to the name of the first node merged there

	n        int // unknown nodes are positions 0..n-1, in the order of elimination
	interior int // the first that is a port, or an end of a current transformer
	sites    int // n, then earth at position n, then the nodes that ideal sources hold
	groups   []int
	ports    []int32 // position of each requested port
	slot     []int32 // of each requested port, its row in the port network

	program       program
	branchSlot    []int32 // slot of each branch, -1 for none
	firstPortSlot int     // slots from here on are on branches of the ports
	rows          rowPlan
}

// program is the elimination as a flat list of steps. The branches from node
// k to the nodes after it are start[k]..start[k+1]-1, by position, the last
// of them to earth; so a branch is counted from the earlier of its ends.
type program struct {
	start []int32    // n+1 places in far
	far   []int32    // position of the far end of each branch
	fills [][]fillOp // for each k and each pair of its branches, y[to] += p[share]·y[from]

	// Source currents live in slots, one for each branch that can carry one.
	// For node k, the currents of its branches are added up, then each op
	// moves its share on.
	slots int
	sums  [][]int32  // for each k, slots of its branches
	moves [][]moveOp // for each k, j[to] += p[share]·j[from]
	swaps [][]swapOp // for each k, j[to] += p[a]·j[fromB] - p[b]·j[fromA]
}

// fillOp names three branches: two of one node and the one between their far
// ends.
type fillOp struct{ to, share, from int32 }

// moveOp names two slots and the branch whose share of the pivot it uses.
// It is for a pair of branches of which one carries a source current.
type moveOp struct {
	to, share, from int32
	minus           bool
}

// swapOp is for a pair of branches a, b that both carry source currents.
type swapOp struct{ to, a, b, fromA, fromB int32 }

// rowPlan says where the rows go.
type rowPlan struct {
	ends       [][2]int32 // impedances, capacitors, voltage sources, current sources: positions of both ends
	admittance []rowAdd   // into branches, from impedances, capacitors, voltage sources
	emf        []emfAdd
	current    []currentAdd
	held       []heldNode
	ct         []ctPlan
	firstCap   int // places of the tables in ends
	firstVolt  int
	firstAmp   int
}

type rowAdd struct{ branch, row int32 }

// emfAdd is j[slot] ∓= y[row]·emf[source].
type emfAdd struct {
	slot, group, row, source int32
	plus                     bool
}

type currentAdd struct {
	slot, group, source int32
	minus               bool
}

// heldNode is a node whose voltage an ideal source sets.
type heldNode struct {
	position, group, source int32
	minus                   bool
}

type ctPlan struct {
	primary  int32 // row of the impedance
	from, to int32 // positions
	slot     int32 // -1 if the secondary is shorted
	minus    bool
}

// Compile checks the rows and plans the solution. Ports names the nodes that
// attachments will use, in the order in which they will be numbered; they may
// be merged with one another or with Earth. Every fault of the rows is
// reported at once (each a *[RowError]); a *[FloatingError] lists nodes
// without a path to earth.
func Compile(c Circuit, ports []string) (*Plan, error) {
	index, err := c.validate()
	if err != nil {
		return nil, err
	}
	p := &Plan{circuit: c.clone(), index: index}
	b := &builder{plan: p, c: &p.circuit}
	b.merge()
	if err := b.hold(); err != nil {
		return nil, err
	}
	if err := b.floating(); err != nil {
		return nil, err
	}
	b.gatherGroups()
	if err := b.number(ports); err != nil {
		return nil, err
	}
	b.order()
	b.branches()
	b.placeRows()
	b.sources()
	p.placePorts()
	return p, nil
}

func (c *Circuit) clone() Circuit {
	d := *c
	d.Nodes = slices.Clone(c.Nodes)
	d.Groups = slices.Clone(c.Groups)
	d.Impedances = slices.Clone(c.Impedances)
	d.Capacitors = slices.Clone(c.Capacitors)
	d.VoltageSources = slices.Clone(c.VoltageSources)
	d.CurrentSources = slices.Clone(c.CurrentSources)
	d.Contacts = slices.Clone(c.Contacts)
	d.Transformers = slices.Clone(c.Transformers)
	return d
}

// builder carries Compile's intermediate tables. "Place" is a node's place in
// the declaration, Earth 0; "unknown" numbers the nodes to solve for, in
// declared order; "position" is what the plan uses.
type builder struct {
	plan     *Plan
	c        *Circuit
	root     []int32 // place to the first place merged with it
	holder   []int32 // root to 1 + voltage source row that holds it
	unknown  []int32 // root to unknown, -1 for none
	roots    []int32 // unknown to root
	isPort   []bool  // by unknown
	adj      []uint64
	words    int
	sequence []int32 // position to unknown
	later    []uint64
	pos      []int32 // unknown to position
	branch   []int32 // position a · (n+1) + position b to branch, a before b
	source   []bool  // branch can carry a source current
	slot     []int32
}

func (b *builder) find(i int) int32 {
	r := b.root[i]
	for b.root[r] != r {
		r = b.root[r]
	}
	b.root[i] = r
	return r
}

// merge makes one node of the two ends of each closed contact. The earliest
// place stands for all, so Earth stays Earth.
func (b *builder) merge() {
	b.root = make([]int32, len(b.c.Nodes)+1)
	for i := range b.root {
		b.root[i] = int32(i)
	}
	for i := range b.c.Contacts {
		r := &b.c.Contacts[i]
		if !r.Closed {
			continue
		}
		x, y := b.find(b.plan.index[r.A]), b.find(b.plan.index[r.B])
		if x < y {
			b.root[y] = x
		} else {
			b.root[x] = y
		}
	}
	for i := range b.root {
		b.find(i)
	}
}

func (b *builder) at(node string) int32 { return b.root[b.plan.index[node]] }

func (r *VoltageSource) ideal() bool { return r.ROhm == 0 && r.XOhm == 0 }

// hold notes the nodes that ideal sources hold.
func (b *builder) hold() error {
	b.holder = make([]int32, len(b.root))
	for i := range b.c.VoltageSources {
		r := &b.c.VoltageSources[i]
		if !r.ideal() {
			continue
		}
		fail := func(err error, mend string) error {
			return &RowError{Table: "voltage sources", Row: i, Name: r.Name, Field: "source", Mend: mend, Err: err}
		}
		x, y := b.at(r.Plus), b.at(r.Minus)
		switch {
		case x == y:
			return fail(errShorted, "give it a series impedance")
		case x != 0 && y != 0:
			return fail(errNotToEarth, "give it a series impedance")
		}
		node := x + y
		if b.holder[node] != 0 {
			return fail(errConflict, "give one of the two a series impedance")
		}
		b.holder[node] = int32(i) + 1
	}
	return nil
}

// floating finds the nodes without a path to earth. Current sources are no
// path: they leave the voltage undetermined.
func (b *builder) floating() error {
	reach := slices.Clone(b.root)
	find := func(i int32) int32 {
		for reach[i] != i {
			i = reach[i]
		}
		return i
	}
	join := func(x, y string) {
		i, j := find(b.at(x)), find(b.at(y))
		reach[max(i, j)] = min(i, j)
	}
	for i := range b.c.Impedances {
		join(b.c.Impedances[i].A, b.c.Impedances[i].B)
	}
	for i := range b.c.Capacitors {
		join(b.c.Capacitors[i].A, b.c.Capacitors[i].B)
	}
	for i := range b.c.VoltageSources {
		join(b.c.VoltageSources[i].Plus, b.c.VoltageSources[i].Minus)
	}
	var names []string
	for i, n := range b.c.Nodes {
		if find(b.root[i+1]) != 0 {
			names = append(names, n)
		}
	}
	if names != nil {
		return &FloatingError{Nodes: names}
	}
	return nil
}

func (b *builder) gatherGroups() {
	g := slices.Clone(b.c.Groups)
	for i := range b.c.VoltageSources {
		g = append(g, b.c.VoltageSources[i].Group)
	}
	for i := range b.c.CurrentSources {
		g = append(g, b.c.CurrentSources[i].Group)
	}
	if len(g) == 0 {
		g = append(g, 0)
	}
	slices.Sort(g)
	b.plan.groups = slices.Compact(g)
}

func (p *Plan) group(number int) int32 {
	i, ok := slices.BinarySearch(p.groups, number)
	if !ok {
		return -1
	}
	return int32(i)
}

// number lists the unknown nodes and marks those to keep as ports: the
// requested ones and both ends of whatever a current transformer touches.
func (b *builder) number(ports []string) error {
	b.unknown = make([]int32, len(b.root))
	for i := range b.root {
		b.unknown[i] = -1
		if i > 0 && b.root[i] == int32(i) && b.holder[i] == 0 {
			b.unknown[i] = int32(len(b.roots))
			b.roots = append(b.roots, int32(i))
		}
	}
	b.plan.n = len(b.roots)
	b.isPort = make([]bool, b.plan.n)
	keep := func(node string) {
		if u := b.unknown[b.at(node)]; u >= 0 {
			b.isPort[u] = true
		}
	}
	for i, name := range ports {
		if _, ok := b.plan.index[name]; !ok {
			return fmt.Errorf("circuit: port %d %q %w: list it in Nodes or correct the name", i, name, errUnknownNode)
		}
		keep(name)
	}
	for i := range b.c.Transformers {
		r := &b.c.Transformers[i]
		keep(r.From)
		keep(r.To)
		k := b.impedance(r.Primary)
		keep(b.c.Impedances[k].A)
		keep(b.c.Impedances[k].B)
	}
	b.plan.ports = make([]int32, len(ports)) // filled when positions are known
	for i, name := range ports {
		b.plan.ports[i] = int32(b.plan.index[name])
	}
	return nil
}

func (b *builder) impedance(name string) int {
	return slices.IndexFunc(b.c.Impedances, func(r Impedance) bool { return r.Name == name })
}

func (b *builder) join(x, y string) {
	i, j := b.unknown[b.at(x)], b.unknown[b.at(y)]
	if i < 0 || j < 0 || i == j {
		return
	}
	b.adj[int(i)*b.words+int(j>>6)] |= 1 << (j & 63)
	b.adj[int(j)*b.words+int(i>>6)] |= 1 << (i & 63)
}

// order chooses the order of elimination: the fewest neighbours first, ties
// by declared order, ports after all others.
func (b *builder) order() {
	n := b.plan.n
	b.words = (n + 63) / 64
	b.adj = make([]uint64, n*b.words)
	for i := range b.c.Impedances {
		b.join(b.c.Impedances[i].A, b.c.Impedances[i].B)
	}
	for i := range b.c.Capacitors {
		b.join(b.c.Capacitors[i].A, b.c.Capacitors[i].B)
	}
	for i := range b.c.VoltageSources {
		b.join(b.c.VoltageSources[i].Plus, b.c.VoltageSources[i].Minus)
	}
	for i := range b.c.CurrentSources {
		b.join(b.c.CurrentSources[i].From, b.c.CurrentSources[i].To)
	}
	for i := range b.c.Transformers {
		b.join(b.c.Transformers[i].From, b.c.Transformers[i].To)
	}
	b.pos = make([]int32, n)
	b.later = make([]uint64, n*b.words)
	done := make([]bool, n)
	for _, stage := range [2]bool{false, true} {
		if stage {
			b.plan.interior = len(b.sequence)
		}
		for {
			best, degree := -1, 0
			for u := range n {
				if done[u] || b.isPort[u] != stage {
					continue
				}
				d := 0
				for _, w := range b.adj[u*b.words : (u+1)*b.words] {
					d += bits.OnesCount64(w)
				}
				if best < 0 || d < degree {
					best, degree = u, d
				}
			}
			if best < 0 {
				break
			}
			done[best] = true
			b.eliminate(best)
		}
	}
}

func (b *builder) eliminate(u int) {
	at := len(b.sequence)
	b.sequence = append(b.sequence, int32(u))
	b.pos[u] = int32(at)
	row := b.adj[u*b.words : (u+1)*b.words]
	copy(b.later[at*b.words:], row)
	for w, set := range row {
		for ; set != 0; set &= set - 1 {
			v := w<<6 + bits.TrailingZeros64(set)
			other := b.adj[v*b.words : (v+1)*b.words]
			for i := range other {
				other[i] |= row[i]
			}
			other[u>>6] &^= 1 << (u & 63)
			other[v>>6] &^= 1 << (v & 63)
		}
	}
}

// branches numbers the branches and writes the elimination program.
func (b *builder) branches() {
	p, n := b.plan, b.plan.n
	g := &p.program
	g.start = make([]int32, n+1)
	for k := range n {
		g.start[k] = int32(len(g.far))
		for w, set := range b.later[k*b.words : (k+1)*b.words] {
			for ; set != 0; set &= set - 1 {
				g.far = append(g.far, b.pos[w<<6+bits.TrailingZeros64(set)])
			}
		}
		slices.Sort(g.far[g.start[k]:])
		g.far = append(g.far, int32(n))
	}
	g.start[n] = int32(len(g.far))
	b.branch = make([]int32, n*(n+1))
	for k := range n {
		for e := g.start[k]; e < g.start[k+1]; e++ {
			b.branch[k*(n+1)+int(g.far[e])] = e
		}
	}
	g.fills = make([][]fillOp, n)
	count := 0
	for k := range n {
		d := int(g.start[k+1] - g.start[k])
		count += d * (d - 1) / 2
	}
	all := make([]fillOp, 0, count)
	for k := range n {
		from := len(all)
		first, last := g.start[k], g.start[k+1]
		for e := first; e < last; e++ {
			for f := e + 1; f < last; f++ {
				to := b.branch[int(g.far[e])*(n+1)+int(g.far[f])]
				all = append(all, fillOp{to: to, share: e, from: f})
			}
		}
		g.fills[k] = all[from:len(all):len(all)]
	}
}
