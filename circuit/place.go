package circuit

// placeRows gives every node its position and every row its branch.
func (b *builder) placeRows() {
	p := b.plan
	n := int32(p.n)
	r := &p.rows
	r.ends = make([][2]int32, 0, len(b.c.Impedances)+len(b.c.Capacitors)+len(b.c.VoltageSources)+len(b.c.CurrentSources))
	p.sites = p.n + 1
	position := make([]int32, len(b.root)) // by root
	p.names = make([]string, p.n+1, p.n+1+len(b.c.VoltageSources))
	p.names[n] = Earth
	for u, root := range b.roots {
		position[root] = b.pos[u]
		p.names[b.pos[u]] = b.c.Nodes[root-1]
	}
	position[0] = n
	for root, h := range b.holder {
		if h == 0 {
			continue
		}
		s := &b.c.VoltageSources[h-1]
		position[root] = int32(p.sites)
		p.names = append(p.names, b.c.Nodes[root-1])
		r.held = append(r.held, heldNode{
			position: int32(p.sites), group: p.group(s.Group), source: h - 1,
			minus: b.at(s.Minus) != 0,
		})
		p.sites++
	}
	p.places = make([]int32, len(b.root))
	for i := range b.root {
		p.places[i] = position[b.root[i]]
	}
	for i, place := range p.ports {
		p.ports[i] = p.places[place]
	}
	end := func(x, y string) {
		r.ends = append(r.ends, [2]int32{p.places[p.index[x]], p.places[p.index[y]]})
	}
	for i := range b.c.Impedances {
		end(b.c.Impedances[i].A, b.c.Impedances[i].B)
	}
	r.firstCap = len(r.ends)
	for i := range b.c.Capacitors {
		end(b.c.Capacitors[i].A, b.c.Capacitors[i].B)
	}
	r.firstVolt = len(r.ends)
	for i := range b.c.VoltageSources {
		end(b.c.VoltageSources[i].Plus, b.c.VoltageSources[i].Minus)
	}
	r.firstAmp = len(r.ends)
	for i := range b.c.CurrentSources {
		end(b.c.CurrentSources[i].From, b.c.CurrentSources[i].To)
	}
}

// between returns the branch between two positions and whether it is counted
// from y to x. A held node counts as earth, since its voltage is known: what
// it feeds is added as a source. The branch is -1 if both ends are known or
// the same.
func (b *builder) between(x, y int32) (branch int32, reversed bool) {
	n := int32(b.plan.n)
	x, y = min(x, n), min(y, n)
	if x == y {
		return -1, false
	}
	if x > y {
		x, y, reversed = y, x, true
	}
	return b.branch[x*(n+1)+y], reversed
}

// sources finds the branches that can carry a source current, writes the
// program that carries those currents through the elimination, and lists what
// each row adds.
func (b *builder) sources() {
	p, r := b.plan, &b.plan.rows
	b.source = make([]bool, len(p.program.far))
	b.addAdmittances()
	var at []int32 // branch of each emf, then each current
	branchOf := func(x, y int32) int32 {
		e, _ := b.between(x, y)
		if e >= 0 {
			b.source[e] = true
		}
		return e
	}
	for i := range r.emf {
		ends := r.ends[r.emf[i].row]
		at = append(at, branchOf(ends[0], ends[1]))
	}
	for i := range b.c.CurrentSources {
		ends := r.ends[r.firstAmp+i]
		branchOf(ends[0], ends[1])
	}
	for i := range b.c.Transformers {
		t := &b.c.Transformers[i]
		branchOf(p.places[p.index[t.From]], p.places[p.index[t.To]])
	}
	b.carry()
	for i := range r.emf {
		r.emf[i].slot = b.slot[at[i]]
	}
	for i := range b.c.CurrentSources {
		ends := r.ends[r.firstAmp+i]
		e, reversed := b.between(ends[0], ends[1])
		if e >= 0 {
			r.current = append(r.current, currentAdd{
				slot: b.slot[e], group: p.group(b.c.CurrentSources[i].Group), source: int32(i), minus: reversed,
			})
		}
	}
	for i := range b.c.Transformers {
		t := &b.c.Transformers[i]
		from, to := p.places[p.index[t.From]], p.places[p.index[t.To]]
		e, reversed := b.between(from, to)
		ct := ctPlan{primary: int32(b.impedance(t.Primary)), from: from, to: to, slot: -1, minus: reversed}
		if e >= 0 {
			ct.slot = b.slot[e]
		}
		r.ct = append(r.ct, ct)
	}
}

// addAdmittances lists the branch of every impedance, capacitor and voltage
// source, with the currents that its electromotive force, or a held node at
// one of its ends, drives into that branch.
func (b *builder) addAdmittances() {
	p, r := b.plan, &b.plan.rows
	held := func(position int32) *heldNode {
		if position <= int32(p.n) {
			return nil
		}
		return &r.held[position-int32(p.n)-1]
	}
	r.admittance = make([]rowAdd, 0, r.firstAmp)
	for row := range r.firstAmp {
		ends := r.ends[row]
		if v := row - r.firstVolt; v >= 0 && b.c.VoltageSources[v].ideal() {
			continue
		}
		e, reversed := b.between(ends[0], ends[1])
		if e < 0 {
			continue
		}
		r.admittance = append(r.admittance, rowAdd{branch: e, row: int32(row)})
		// Current from an end a at an unknown voltage to an end held at E is
		// y·(V − E), that is a source current of −y·E counted from a.
		for _, end := range ends {
			if h := held(end); h != nil {
				r.emf = append(r.emf, emfAdd{row: int32(row), group: h.group, source: h.source, plus: h.minus})
			}
		}
		if v := row - r.firstVolt; v >= 0 {
			// From Plus to Minus flows y·(V − E).
			r.emf = append(r.emf, emfAdd{row: int32(row), group: p.group(b.c.VoltageSources[v].Group), source: int32(v), plus: reversed})
		}
	}
}

// carry numbers the slots and writes the steps of the source currents.
func (b *builder) carry() {
	p, g := b.plan, &b.plan.program
	n := p.n
	for k := range n {
		for _, o := range g.fills[k] {
			if b.source[o.share] || b.source[o.from] {
				b.source[o.to] = true
			}
		}
	}
	b.slot = make([]int32, len(g.far))
	for e := range b.slot {
		b.slot[e] = -1
		if b.source[e] {
			b.slot[e] = int32(g.slots)
			g.slots++
			if e < int(g.start[p.interior]) {
				p.firstPortSlot = g.slots
			}
		}
	}
	p.branchSlot = b.slot
	g.sums = make([][]int32, n)
	g.moves = make([][]moveOp, n)
	g.swaps = make([][]swapOp, n)
	moves, swaps := 0, 0
	for k := range n {
		for _, o := range g.fills[k] {
			switch {
			case b.source[o.share] && b.source[o.from]:
				swaps++
			case b.source[o.share] || b.source[o.from]:
				moves++
			}
		}
	}
	allSums, allMoves, allSwaps := make([]int32, 0, g.slots), make([]moveOp, 0, moves), make([]swapOp, 0, swaps)
	for k := range n {
		sum, move, swap := len(allSums), len(allMoves), len(allSwaps)
		for e := g.start[k]; e < g.start[k+1]; e++ {
			if b.source[e] {
				allSums = append(allSums, b.slot[e])
			}
		}
		for _, o := range g.fills[k] {
			to, a, c := b.slot[o.to], b.slot[o.share], b.slot[o.from]
			switch {
			case a >= 0 && c >= 0:
				allSwaps = append(allSwaps, swapOp{to: to, a: o.share, b: o.from, fromA: a, fromB: c})
			case a >= 0:
				allMoves = append(allMoves, moveOp{to: to, share: o.from, from: a, minus: true})
			case c >= 0:
				allMoves = append(allMoves, moveOp{to: to, share: o.share, from: c})
			}
		}
		g.sums[k], g.moves[k], g.swaps[k] = allSums[sum:len(allSums):len(allSums)], allMoves[move:len(allMoves):len(allMoves)], allSwaps[swap:len(allSwaps):len(allSwaps)]
	}
}

// Positions. A position numbers a node of the compiled circuit; merged nodes
// share one.

// Node returns the position of a node, for the methods of [Workspace], and
// whether the circuit has it.
func (p *Plan) Node(name string) (position int, ok bool) {
	i, ok := p.index[name]
	if !ok {
		return 0, false
	}
	return int(p.places[i]), true
}

// Groups returns the numbers of the groups, ascending. Results are asked for
// by place in this list.
func (p *Plan) Groups() []int { return append([]int(nil), p.groups...) }

// GroupCount is the number of groups.
func (p *Plan) GroupCount() int { return len(p.groups) }
