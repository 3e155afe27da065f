package script

// leads is where a meter's two leads are for one reading.
type leads struct{ high, low string }

// moves is how many leads a hand has to move from one reading to the next.
func (l leads) moves(to leads) int {
	n := 0
	if l.high != to.high {
		n++
	}
	if l.low != to.low {
		n++
	}
	return n
}

// exactUpTo is how many readings are ordered by trying everything that matters; more are improved step by step.
const exactUpTo = 11

// fewestMoves orders readings so that the leads are moved as little as possible; it returns their places in the list.
func fewestMoves(all []leads) []int {
	if len(all) <= exactUpTo {
		return exactRoute(all)
	}
	return improved(all, nearestFirst(all))
}

// exactRoute is Held and Karp's dynamic programme over sets of readings done (J. SIAM 10, 1962).
func exactRoute(all []leads) []int {
	n := len(all)
	if n == 0 {
		return nil
	}
	type end struct{ cost, before int }
	best := make([][]end, 1<<n)
	for done := range best {
		best[done] = make([]end, n)
		for last := range n {
			best[done][last] = end{cost: 1 << 30, before: -1}
		}
	}
	for i := range n {
		best[1<<i][i] = end{before: -1}
	}
	for done := range best {
		for last := range n {
			if done&(1<<last) == 0 || best[done][last].cost == 1<<30 {
				continue
			}
			for next := range n {
				to := done | 1<<next
				cost := best[done][last].cost + all[last].moves(all[next])
				if done&(1<<next) == 0 && cost < best[to][next].cost {
					best[to][next] = end{cost, last}
				}
			}
		}
	}
	done, last := 1<<n-1, 0
	for i := range n {
		if best[done][i].cost < best[done][last].cost {
			last = i
		}
	}
	order := make([]int, n)
	for i := n - 1; i >= 0; i-- {
		order[i] = last
		done, last = done&^(1<<last), best[done][last].before
	}
	return order
}

// nearestFirst goes on with the reading that moves the fewest leads, the first in the list among equals.
func nearestFirst(all []leads) []int {
	order, left := []int{0}, map[int]bool{}
	for i := 1; i < len(all); i++ {
		left[i] = true
	}
	for len(left) > 0 {
		from, next := all[order[len(order)-1]], -1
		for i := range all {
			if left[i] && (next < 0 || from.moves(all[i]) < from.moves(all[next])) {
				next = i
			}
		}
		order = append(order, next)
		delete(left, next)
	}
	return order
}

// improved turns parts of a route round and takes single readings elsewhere for as long as that saves moves.
func improved(all []leads, order []int) []int {
	cost := length(all, order)
	for saved := true; saved; {
		saved = false
		for i := range order {
			for k := range order {
				for _, other := range [][]int{turned(order, i, k), shifted(order, i, k)} {
					if c := length(all, other); c < cost {
						order, cost, saved = other, c, true
					}
				}
			}
		}
	}
	return order
}

func length(all []leads, order []int) int {
	n := 0
	for i := 1; i < len(order); i++ {
		n += all[order[i-1]].moves(all[order[i]])
	}
	return n
}

// turned is the route with the part from i to k backwards.
func turned(order []int, i, k int) []int {
	out := append([]int(nil), order...)
	for ; i < k; i, k = i+1, k-1 {
		out[i], out[k] = out[k], out[i]
	}
	return out
}

// shifted is the route with the reading at i taken at k.
func shifted(order []int, i, k int) []int {
	out := make([]int, 0, len(order))
	for n, at := range order {
		if n == i {
			continue
		}
		if len(out) == k {
			out = append(out, order[i])
		}
		out = append(out, at)
	}
	if len(out) < len(order) {
		out = append(out, order[i])
	}
	return out
}
