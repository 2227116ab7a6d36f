package alert

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// ParseExpr reads a condition. The error is a [*ParseError].
func ParseExpr(src string) (Expr, error) {
	toks, err := lex(src)
	if err != nil {
		return Expr{}, err
	}
	p := parser{toks: toks}
	root, err := p.expr(0)
	if err == nil && p.peek().text != "" {
		err = p.peek().wrong("%q does not belong here", p.peek().text)
	}
	if err == nil {
		err = wantTruth(root)
	}
	if err != nil {
		return Expr{}, err
	}
	return Expr{src: src, root: root}, nil
}

// MustExpr is for the conditions written in Go: a wrong one is a mistake of the program.
func MustExpr(src string) Expr {
	e, err := ParseExpr(src)
	if err != nil {
		panic(fmt.Sprintf("cannot read the condition %q: %v", src, err))
	}
	return e
}

// token is a piece of a condition; its text is empty at the end.
type token struct {
	text string
	kind byte // n number, w word, o operator, 0 end
	pos  int
}

func (t token) wrong(format string, args ...any) error {
	return &ParseError{Column: t.pos + 1, What: fmt.Sprintf(format, args...)}
}

func lex(src string) ([]token, error) {
	var toks []token
	for i := 0; i < len(src); {
		t := token{pos: i}
		switch c := src[i]; {
		case strings.IndexByte(" \t\r\n", c) >= 0:
			i++
			continue
		case isDigit(c) || c == '.':
			t.kind, t.text = 'n', src[i:i+numberLen(src[i:])]
		case isLetter(c):
			t.kind, t.text = 'w', src[i:i+nameLen(src[i:])]
		default:
			t.kind, t.text = 'o', operatorAt(src[i:])
		}
		if t.text == "" {
			return nil, t.wrong("%q means nothing in a condition", firstRune(src[i:]))
		}
		i += len(t.text)
		toks = append(toks, t)
	}
	return append(toks, token{pos: len(src)}), nil
}

func firstRune(s string) string {
	for _, r := range s {
		return string(r)
	}
	return ""
}

func isDigit(c byte) bool  { return c >= '0' && c <= '9' }
func isLetter(c byte) bool { return c == '_' || c|0x20 >= 'a' && c|0x20 <= 'z' }

func numberLen(s string) int {
	i := 0
	for i < len(s) && (isDigit(s[i]) || s[i] == '.') {
		i++
	}
	if i < len(s) && s[i] == '%' {
		i++
	}
	return i
}

// nameLen takes in the instance too: a slash with no space, then a name or a star.
func nameLen(s string) int {
	i := 0
	for i < len(s) && (isLetter(s[i]) || isDigit(s[i])) {
		i++
	}
	if strings.HasPrefix(s[i:], "/*") {
		return i + 2
	}
	if i+1 < len(s) && s[i] == '/' && (isLetter(s[i+1]) || isDigit(s[i+1])) {
		i++
		for i < len(s) && (isLetter(s[i]) || isDigit(s[i]) || strings.IndexByte(".:-", s[i]) >= 0) {
			i++
		}
	}
	return i
}

func operatorAt(s string) string {
	for _, op := range [...]string{"<=", ">=", "==", "!=", "<", ">", "(", ")", "+", "-", "*", "/", ","} {
		if strings.HasPrefix(s, op) {
			return op
		}
	}
	return ""
}

// power is how strongly an operator binds; 0 for what is none.
func power(op string) int {
	switch op {
	case "or":
		return 1
	case "and":
		return 2
	case "<", "<=", ">", ">=", "==", "!=":
		return 4
	case "+", "-":
		return 5
	case "*", "/":
		return 6
	}
	return 0
}

type parser struct {
	toks  []token
	depth int
}

func (p *parser) peek() token { return p.toks[0] }

func (p *parser) next() token {
	t := p.toks[0]
	if t.kind != 0 {
		p.toks = p.toks[1:]
	}
	return t
}

// expr reads what binds more strongly than least.
func (p *parser) expr(least int) (*node, error) {
	if p.depth++; p.depth > 100 {
		return nil, p.peek().wrong("too deeply nested")
	}
	defer func() { p.depth-- }()
	left, err := p.operand()
	for err == nil {
		op := p.peek()
		if power(op.text) <= least {
			return left, nil
		}
		p.next()
		var right *node
		if right, err = p.expr(power(op.text)); err == nil {
			left, err = binary(op, left, right)
		}
	}
	return nil, err
}

func binary(op token, left, right *node) (*node, error) {
	want := wantNumber
	if op.text == "and" || op.text == "or" {
		want = wantTruth
	}
	for _, k := range []*node{left, right} {
		if err := want(k); err != nil {
			return nil, err
		}
	}
	return &node{op: op.text, kids: []*node{left, right}, pos: op.pos}, nil
}

func (p *parser) operand() (*node, error) {
	switch t := p.next(); {
	case t.kind == 'n':
		return number(t)
	case t.text == "(":
		n, err := p.expr(0)
		if err != nil {
			return nil, err
		}
		return n, p.want(")")
	case t.text == "-":
		return p.unary(t, "negative", power("*"), wantNumber)
	case t.text == "not":
		return p.unary(t, "not", 3, wantTruth)
	case t.text == "and" || t.text == "or" || t.kind != 'w':
		return nil, t.wrong("a fact or a number is missing here")
	case p.peek().text == "(":
		return p.call(t)
	default:
		return named(t), nil
	}
}

func (p *parser) unary(t token, op string, least int, want func(*node) error) (*node, error) {
	k, err := p.expr(least)
	if err == nil {
		err = want(k)
	}
	return &node{op: op, kids: []*node{k}, pos: t.pos}, err
}

func (p *parser) want(text string) error {
	if t := p.next(); t.text != text {
		return t.wrong("%q is missing here", text)
	}
	return nil
}

func number(t token) (*node, error) {
	digits, percent := strings.CutSuffix(t.text, "%")
	x, err := strconv.ParseFloat(digits, 64)
	if err != nil {
		return nil, t.wrong("%q is not a number", t.text)
	}
	if percent {
		x /= 100
	}
	return &node{op: "number", x: x, pos: t.pos}, nil
}

// named is a fact, or the number of a charging stage.
func named(t token) *node {
	if i := slices.Index(stages(), t.text); i >= 0 {
		return &node{op: "number", x: float64(i), pos: t.pos}
	}
	return &node{op: "fact", fact: t.text, pos: t.pos}
}

// stages are the words that charge_state may be compared with, in the order of their numbers.
func stages() []string {
	return []string{"off", "bulk", "absorption", "float", "equalize", "fault"}
}

// call reads the arguments of a function.
func (p *parser) call(t token) (*node, error) {
	if n := p.overSpan(t); n != nil {
		return n, nil
	}
	n := &node{op: t.text, pos: t.pos}
	count, ok := map[string]int{"abs": 1, "min": 2, "max": 2, "known": 1}[t.text]
	if !ok {
		return nil, t.wrong("there is no function %s; there are abs, min, max and known, and avg, min, max and change of a fact over a span such as avg(battery_celsius, 1h)", t.text)
	}
	p.next() // the bracket that opens
	for i := range count {
		if i > 0 {
			if before := p.next(); before.text != "," {
				return nil, before.wrong("%s takes %d values, with commas between", t.text, count)
			}
		}
		k, err := p.expr(0)
		if err == nil {
			err = wantNumber(k)
		}
		if err != nil {
			return nil, err
		}
		n.kids = append(n.kids, k)
	}
	return n, p.want(")")
}

// overSpan reads a fact over a span, such as avg(battery_celsius, 90m); nil when it is none.
func (p *parser) overSpan(t token) *node {
	units := map[string]time.Duration{"m": time.Minute, "h": time.Hour, "d": 24 * time.Hour}
	if !slices.Contains([]string{"avg", "min", "max", "change"}, t.text) || len(p.toks) < 7 {
		return nil
	}
	fact, comma, number, unit, end := p.toks[1], p.toks[2], p.toks[3], p.toks[4], p.toks[5]
	x, err := strconv.ParseFloat(number.text, 64)
	if fact.kind != 'w' || comma.text != "," || number.kind != 'n' || err != nil || units[unit.text] == 0 || end.text != ")" {
		return nil
	}
	p.toks = p.toks[6:]
	return &node{op: "fact", fact: spanFact(t.text, fact.text, time.Duration(x*float64(units[unit.text]))), pos: t.pos}
}

func wantTruth(n *node) error {
	if n.isTruth() || n.op == "fact" {
		return nil
	}
	return &ParseError{Column: n.pos + 1, What: "a comparison is wanted here, not a number"}
}

func wantNumber(n *node) error {
	if !n.isTruth() {
		return nil
	}
	return &ParseError{Column: n.pos + 1, What: fmt.Sprintf("a number is wanted here, not %q", n.op)}
}

func (n *node) isTruth() bool {
	switch n.op {
	case "and", "or", "not", "known", "<", "<=", ">", ">=", "==", "!=":
		return true
	}
	return false
}
