package lookback

import (
	"embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"strings"
	"unicode/utf8"

	"ebbwatch/cmd/internal/chart"
)

//go:embed report.html
var page embed.FS

// Text writes the report for a terminal or a mail.
func (r Report) Text(out io.Writer) error {
	var b strings.Builder
	title := fmt.Sprintf("%s, %s to %s", r.Site, r.date(r.From), r.date(r.To))
	fmt.Fprintf(&b, "%s\n%s\n\n", title, strings.Repeat("=", utf8.RuneCountInString(title)))
	for _, line := range r.summary() {
		fmt.Fprintln(&b, line)
	}
	for _, s := range r.sections() {
		fmt.Fprintf(&b, "\n%s\n%s\n", s.Title, strings.Repeat("-", utf8.RuneCountInString(s.Title)))
		for _, line := range s.Says {
			fmt.Fprintln(&b, line)
		}
		table(&b, s.Head, s.Rows)
	}
	_, err := io.WriteString(out, b.String())
	return err
}

// Why writes what each silence is put down to, with all that was weighed.
func (r Report) Why(out io.Writer) error {
	var b strings.Builder
	switch {
	case len(r.Silences) == 0 && r.Covered == 0:
		fmt.Fprintln(&b, "There is no record of this time.")
	case len(r.Silences) == 0:
		fmt.Fprintln(&b, "The node was never silent in that time.")
	}
	for _, s := range r.Silences {
		fmt.Fprintf(&b, "%s\n%s\n", s.Title(r.Zone), s.Verdict)
	}
	_, err := io.WriteString(out, b.String())
	return err
}

// table writes rows with their columns aligned.
func table(b *strings.Builder, head []string, rows [][]string) {
	if len(rows) == 0 {
		return
	}
	rows = append([][]string{head}, rows...)
	width := make([]int, len(head))
	for _, row := range rows {
		for i, c := range row {
			width[i] = max(width[i], utf8.RuneCountInString(c))
		}
	}
	for _, row := range rows {
		line := ""
		for i, c := range row {
			line += c + strings.Repeat(" ", width[i]-utf8.RuneCountInString(c)+2)
		}
		fmt.Fprintln(b, strings.TrimRight(line, " "))
	}
}

// HTML writes the report as one page that needs nothing else.
func (r Report) HTML(out io.Writer) error {
	t, err := template.New("report.html").ParseFS(page, "report.html")
	if err != nil {
		return fmt.Errorf("cannot make the report: %w", err)
	}
	view := struct {
		Report
		From, To string
		Summary  []string
		Sections []section
		Days     template.HTML
		Missing  shares
	}{r, r.date(r.From), r.date(r.To), r.summary(), r.sections(), r.days(), r.shares()}
	if err := t.Execute(out, view); err != nil {
		return fmt.Errorf("cannot make the report: %w", err)
	}
	return nil
}

// days is the picture of the days: harvest before what a clear sky would have given, and
// the lowest charge as a line.
func (r Report) days() template.HTML {
	c := chart.Canvas{W: 720, H: 280, Left: 58, Right: 48, Top: 16, Bottom: 40}
	most := 1.0
	for _, d := range r.Days {
		most = max(most, d.Got, d.Clear)
	}
	most = chart.RoundUp(most, math.Pow(10, math.Floor(math.Log10(most)))/2)
	for _, share := range []float64{0, 0.25, 0.5, 0.75, 1} {
		c.Level(c.Y(share), fmt.Sprintf("%.0f", share*most))
		c.Text("axis", "start", c.W-c.Right+6, c.Y(share)+4, fmt.Sprintf("%.0f", 100*share))
	}
	c.Text("axis", "start", 2, 12, "Wh")
	c.Text("axis", "end", c.W, 12, "%")
	every := c.Every(len(r.Days), 52)
	var lowest []chart.Point
	var lines []string
	for i, d := range r.Days {
		x1, x2 := c.X(float64(i)/float64(len(r.Days))), c.X(float64(i+1)/float64(len(r.Days)))
		side := 0.1 * (x2 - x1)
		c.Bar("clear", x1+side, x2-side, 0, d.Clear/most)
		c.Bar("bar", x1+side, x2-side, 0, d.Got/most)
		if i%every == 0 {
			c.Text("axis", "middle", (x1+x2)/2, c.H-22, d.Date.In(r.Zone).Format("2 Jan"))
		}
		if math.IsNaN(d.SoCLeast) { // a day without a record breaks the line
			lines, lowest = append(lines, chart.Trace(lowest...)), nil
			continue
		}
		lowest = append(lowest, chart.Point{X: (x1 + x2) / 2, Y: c.Y(d.SoCLeast)})
	}
	c.Across("reserve", c.Y(r.Reserve))
	for _, line := range append(lines, chart.Trace(lowest...)) {
		c.Path("soc", line)
	}
	return c.SVG(fmt.Sprintf("Harvest of %d days against what a clear sky would have given, and the lowest charge of each. The table below holds the numbers.", len(r.Days)))
}

// shares is the picture of what became of a clear sky's harvest: one bar in parts.
type shares struct {
	SVG    template.HTML
	Legend []chart.Key
}

func (r Report) shares() shares {
	h := r.Harvest
	all := h.Got
	for _, c := range Causes() {
		all += h.Missing[c]
	}
	if all <= 0 {
		return shares{}
	}
	s := shares{}
	c := chart.Canvas{Class: "parts", W: 700, H: 34}
	x := 0.0
	var said []string
	add := func(class, name string, amount float64) {
		if w := c.W * amount / all; w > 0.5 {
			c.Bar(class, x, x+w, 0, 1)
			said = append(said, name+" "+percent(amount/all))
			s.Legend = append(s.Legend, chart.Key{Class: class, Text: said[len(said)-1]})
			x += w
		}
	}
	add("got", "harvested", h.Got)
	for i, c := range Causes() {
		add(fmt.Sprintf("c%d", i), string(c), h.Missing[c])
	}
	s.SVG = c.SVG("Of a clear sky's harvest: " + strings.Join(said, ", ") + ".")
	return s
}
