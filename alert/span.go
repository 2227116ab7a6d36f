package alert

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// spanFact is the name under which a condition asks for a fact over a span: what it computes,
// of which fact, over how long. It is a fact like any other to what evaluates a condition.
func spanFact(of, fact string, span time.Duration) string {
	return fmt.Sprintf("%s(%s,%s)", of, fact, span)
}

// overSpan takes such a name apart; ok is false for a plain fact.
func overSpan(name string) (of, fact string, span time.Duration, ok bool) {
	of, rest, ok := strings.Cut(strings.TrimSuffix(name, ")"), "(")
	if !ok {
		return "", name, 0, false
	}
	fact, length, _ := strings.Cut(rest, ",")
	span, err := time.ParseDuration(length)
	return of, fact, span, err == nil
}

// Series is what is remembered of a fact that a condition asks for over a span, in buckets of
// equal length. It is plain data.
type Series struct {
	Width   time.Duration `json:"width"`
	Buckets []Bucket      `json:"buckets"` // oldest first
}

// Bucket sums up what a fact was for a while.
type Bucket struct {
	At    int64   `json:"at"` // in widths of State.Elapsed
	N     float64 `json:"n"`
	Sum   float64 `json:"sum"`
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
	First float64 `json:"first"`
	Last  float64 `json:"last"`
}

// perSpan is how many buckets the longest span of a fact has.
const perSpan = 48

// follow takes in what the facts are now that conditions ask for over a span, and forgets what
// no condition asks for any more.
func (e Engine) follow(s *State, get Lookup) {
	longest := map[string]time.Duration{}
	for _, r := range e.Rules {
		for _, name := range r.Names() {
			_, fact, span, ok := overSpan(name)
			for _, instance := range e.instances(r) {
				if ok {
					fact := strings.Replace(fact, "/*", "/"+instance, 1)
					longest[fact] = max(longest[fact], span)
				}
			}
		}
	}
	next := make(map[string]Series, len(longest))
	for fact, span := range longest {
		q := s.Series[fact]
		if width := max(time.Minute, span/perSpan); q.Width != width {
			q = Series{Width: width}
		}
		if x, known := get(fact); known && finite(x) {
			q = q.with(x, s.Elapsed)
		}
		next[fact] = q
	}
	if s.Series = next; len(next) == 0 {
		s.Series = nil
	}
}

func (q Series) with(x float64, elapsed time.Duration) Series {
	at := int64(elapsed / q.Width)
	q.Buckets = slices.DeleteFunc(slices.Clone(q.Buckets), func(b Bucket) bool { return b.At < at-perSpan })
	if n := len(q.Buckets); n == 0 || q.Buckets[n-1].At != at {
		q.Buckets = append(q.Buckets, Bucket{At: at, Low: x, High: x, First: x})
	}
	b := &q.Buckets[len(q.Buckets)-1]
	b.N, b.Sum, b.Low, b.High, b.Last = b.N+1, b.Sum+x, min(b.Low, x), max(b.High, x), x
	return q
}

// over computes a fact over a span that ends now. It is not known before half of the span was
// seen: an average of the last minute is none of an hour.
func (q Series) over(of string, span, elapsed time.Duration) (x float64, known bool) {
	if q.Width <= 0 {
		return 0, false
	}
	from, now := int64((elapsed-span)/q.Width), int64(elapsed/q.Width)
	var seen []Bucket
	for _, b := range q.Buckets {
		if b.At >= from {
			seen = append(seen, b)
		}
	}
	if len(seen) == 0 || 2*time.Duration(now-seen[0].At)*q.Width < span-2*q.Width || time.Duration(now-seen[len(seen)-1].At)*q.Width > span/2 {
		return 0, false
	}
	switch of {
	case "avg":
		for _, b := range seen {
			x += b.Sum / b.N / float64(len(seen))
		}
	case "min":
		x = slices.MinFunc(seen, func(a, b Bucket) int { return cmp.Compare(a.Low, b.Low) }).Low
	case "max":
		x = slices.MaxFunc(seen, func(a, b Bucket) int { return cmp.Compare(a.High, b.High) }).High
	case "change":
		x = seen[len(seen)-1].Last - seen[0].First
	default:
		return 0, false
	}
	return x, !math.IsNaN(x)
}
