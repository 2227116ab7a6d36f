package alert

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Truth is the outcome of a condition. A fact that is not known leaves it open: an unknown
// condition neither raises nor clears an alarm.
type Truth int8

// The three outcomes.
const (
	Unknown Truth = iota
	False
	True
)

// String is the outcome in a word.
func (t Truth) String() string {
	return [...]string{"not known", "no", "yes"}[t]
}

func truthOf(b bool) Truth {
	if b {
		return True
	}
	return False
}

func (t Truth) not() Truth {
	switch t {
	case True:
		return False
	case False:
		return True
	}
	return Unknown
}

// Expr is a condition over facts, such as
//
//	battery_celsius < 0 and charge_amps > 0.2
//
// Comparisons are < <= > >= == !=, joined by and, or, not and brackets. Between them stand
// numbers (30% is 0.3), facts, + - * / and the functions abs, min, max. Over a span stand avg, min, max and change, as in
// avg(battery_celsius, 1h) or change(battery_soc, 2d). A fact alone asks
// whether it is other than zero; known(fact) asks whether it is known. The fact of one
// source or peer is written name/instance without spaces; in a rule that holds for each
// instance, name/* stands for the instance at hand. The zero Expr is never true.
type Expr struct {
	src  string
	root *node
}

// node is one operation; a leaf is a number or a fact.
type node struct {
	op   string // an operator, a function, "number" or "fact"
	fact string
	x    float64
	kids []*node
	pos  int
}

// String is the condition as it was written.
func (e Expr) String() string { return e.src }

// Empty tells whether there is no condition.
func (e Expr) Empty() bool { return e.root == nil }

// Eval asks the condition of the facts. What cannot be decided without an unknown fact is
// [Unknown].
func (e Expr) Eval(get Lookup) Truth {
	if e.root == nil {
		return Unknown
	}
	return e.root.truth(get)
}

// Name is a fact that a condition asks for, and where.
type Name struct {
	Fact   string
	Column int // from 1, in bytes
}

// Names lists the facts that the condition asks for, in the order of writing, each once.
func (e Expr) Names() []Name {
	var names []Name
	e.root.walk(func(n *node) {
		if n.op == "fact" && !slices.ContainsFunc(names, func(m Name) bool { return m.Fact == n.fact }) {
			names = append(names, Name{Fact: n.fact, Column: n.pos + 1})
		}
	})
	return names
}

func (n *node) walk(visit func(*node)) {
	if n == nil {
		return
	}
	visit(n)
	for _, k := range n.kids {
		k.walk(visit)
	}
}

// truth evaluates a node that stands where a yes or no is wanted.
func (n *node) truth(get Lookup) Truth {
	switch n.op {
	case "and", "or":
		return n.join(get)
	case "not":
		return n.kids[0].truth(get).not()
	case "known":
		_, known := n.kids[0].num(get)
		return truthOf(known)
	case "<", "<=", ">", ">=", "==", "!=":
		return n.compare(get)
	}
	x, known := n.num(get)
	if !known {
		return Unknown
	}
	return truthOf(x != 0)
}

// join is and, or: one decisive side is enough, even beside an unknown one.
func (n *node) join(get Lookup) Truth {
	a, b := n.kids[0].truth(get), n.kids[1].truth(get)
	decisive := truthOf(n.op == "or")
	switch {
	case a == decisive || b == decisive:
		return decisive
	case a == Unknown || b == Unknown:
		return Unknown
	}
	return decisive.not()
}

func (n *node) compare(get Lookup) Truth {
	a, aKnown := n.kids[0].num(get)
	b, bKnown := n.kids[1].num(get)
	if !aKnown || !bKnown {
		return Unknown
	}
	switch n.op {
	case "<":
		return truthOf(a < b)
	case "<=":
		return truthOf(a <= b)
	case ">":
		return truthOf(a > b)
	case ">=":
		return truthOf(a >= b)
	case "==":
		return truthOf(a == b)
	}
	return truthOf(a != b)
}

// num evaluates a node that stands where a number is wanted. Infinity is a number: hours
// beyond the horizon are more than any other. One that is none,
// as after a division by zero, is not known.
func (n *node) num(get Lookup) (x float64, known bool) {
	switch n.op {
	case "number":
		return n.x, true
	case "fact":
		x, known = get(n.fact)
		return x, known && !math.IsNaN(x)
	}
	var in [2]float64
	for i, k := range n.kids {
		if in[i], known = k.num(get); !known {
			return 0, false
		}
	}
	x = n.arithmetic(in[0], in[1])
	return x, !math.IsNaN(x)
}

func (n *node) arithmetic(a, b float64) float64 {
	switch n.op {
	case "+":
		return a + b
	case "-":
		return a - b
	case "*":
		return a * b
	case "/":
		if b == 0 {
			return math.NaN()
		}
		return a / b
	case "negative":
		return -a
	case "abs":
		return math.Abs(a)
	case "min":
		return min(a, b)
	case "max":
		return max(a, b)
	}
	return math.NaN()
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// ParseError says what is wrong with a condition, and where.
type ParseError struct {
	Column int // from 1, in bytes
	What   string
}

// Error gives the column and what is wrong there.
func (e *ParseError) Error() string { return fmt.Sprintf("column %d: %s", e.Column, e.What) }

// ForInstance answers name/* for one instance, and everything else as it is.
func (get Lookup) ForInstance(instance string) Lookup {
	return func(name string) (float64, bool) {
		return get(strings.Replace(name, "/*", "/"+instance, 1))
	}
}
