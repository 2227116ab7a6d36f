package chart

import (
	"math"
	"strings"
	"testing"
)

// Scales end on a round number not below what they show.
func TestScales(t *testing.T) {
	t.Parallel()
	for x, want := range map[float64]float64{0.3: 0.5, 1: 1, 1.4: 2, 3: 5, 7: 10, 180: 200, 0: 1} {
		if got := Nice(x); math.Abs(got-want) > 1e-9 {
			t.Errorf("Nice(%g) is %g, want %g", x, got, want)
		}
	}
	c := Canvas{W: 300, H: 200, Left: 40, Right: 10, Top: 20, Bottom: 20}
	if end := c.Axis(870, "Wh"); end != 1000 {
		t.Errorf("an axis to %g, want 1000", end)
	}
	if got := strings.Count(string(c.SVG("")), `<path class="grid"`); got != 3 {
		t.Errorf("%d lines, want 0, 500 and 1000", got)
	}
	if got := Decades(80, 3000); len(got) != 5 || got[0] != 100 || got[4] != 2000 {
		t.Errorf("decades %v", got)
	}
	if got := c.Every(100, 34); got != 14 {
		t.Errorf("100 labels of 34 in 250: every %d, want 14", got)
	}
}

// Numbers that no drawing can hold are left out and spoil nothing around them.
func TestOddNumbersAreLeftOut(t *testing.T) {
	t.Parallel()
	nan, inf := math.NaN(), math.Inf(1)
	c := Canvas{Class: "x", W: 100, H: 100}
	c.Bar("upside-down", 10, 20, 0.2, 0.1)
	c.Bar("lost", 10, nan, 0, 1)
	c.Line("lost", 0, inf, 1, 1)
	c.Dot("lost", nan, 0, 3)
	c.Diamond("lost", nan, nan, 3)
	c.Text("lost", "start", nan, 0, "lost")
	c.Path("lost", Band(nil, nil))
	c.Path("kept", Trace(Point{1, 2}, Point{nan, 3}, Point{3.04, 4}))
	want := `<svg class="x" viewBox="0 0 100 100" role="img" aria-label="A"><path class="kept" d="M1 2L3 4"/></svg>`
	if got := string(c.SVG("A")); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

// Names come from outside; none may become markup.
func TestWordsAreEscaped(t *testing.T) {
	t.Parallel()
	c := Canvas{W: 10, H: 10}
	c.Text("a", "start", 0, 0, `<script>"`)
	if got := string(c.SVG(`"><img>`)); strings.Contains(got, "<script>") || strings.Contains(got, "<img>") {
		t.Errorf("words became markup: %s", got)
	}
}

func TestBandIsClosed(t *testing.T) {
	t.Parallel()
	got := Band([]Point{{0, 1}, {10, 2}}, []Point{{0, 5}, {10, 6}})
	if want := "M0 1L10 2L10 6L0 5Z"; got != want {
		t.Errorf("band %s, want %s", got, want)
	}
}
