package wornsize

import "sync"

// arena hands out zeroed memory for the tables of one feature, all given back
// at once: how often an estimate allocates does not depend on its mesh.
type arena struct {
	floats stack[float64]
	quads  stack[[4]float64]
}

// stack is memory in pieces that are filled one after the other.
type stack[T any] struct {
	pieces      [][]T
	piece, used int
}

const (
	pieceSize = 1 << 15 // numbers in a piece, at least
	mostKept  = 1 << 22 // numbers an arena may keep for the next estimate
)

func (s *stack[T]) take(n int) []T {
	for s.piece < len(s.pieces) {
		p := s.pieces[s.piece]
		if s.used+n <= len(p) {
			out := p[s.used : s.used+n : s.used+n]
			s.used += n
			clear(out)
			return out
		}
		s.piece, s.used = s.piece+1, 0
	}
	s.pieces = append(s.pieces, make([]T, max(n, pieceSize)))
	s.used = n
	return s.pieces[s.piece][:n:n]
}

func (s *stack[T]) size() (n int) {
	for _, p := range s.pieces {
		n += len(p)
	}
	return n
}

func (a *arena) take(n int) []float64         { return a.floats.take(n) }
func (a *arena) takeQuads(n int) [][4]float64 { return a.quads.take(n) }

// filled is how far an arena was filled; back gives what was taken since back.
type filled struct{ piece, used, quadPiece, quadUsed int }

func (a *arena) mark() filled {
	return filled{a.floats.piece, a.floats.used, a.quads.piece, a.quads.used}
}

func (a *arena) back(f filled) {
	a.floats.piece, a.floats.used = f.piece, f.used
	a.quads.piece, a.quads.used = f.quadPiece, f.quadUsed
}

var arenas = sync.Pool{New: func() any { return new(arena) }}

func takeArena() *arena { return arenas.Get().(*arena) }

// giveBack lets another estimate use the arena; a huge one goes to the collector.
func (a *arena) giveBack() {
	if a == nil || a.floats.size()+4*a.quads.size() > mostKept {
		return
	}
	a.back(filled{})
	arenas.Put(a)
}
