package lookback

import (
	"embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"strings"
	"unicode/utf8"
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
	t, err := template.New("report.html").Funcs(template.FuncMap{"n": func(x float64) string { return fmt.Sprintf("%.1f", x) }}).ParseFS(page, "report.html")
	if err != nil {
		return fmt.Errorf("cannot make the report: %w", err)
	}
	view := struct {
		Report
		From, To string
		Summary  []string
		Sections []section
		Days     bars
		Missing  shares
	}{r, r.date(r.From), r.date(r.To), r.summary(), r.sections(), r.bars(), r.shares()}
	if err := t.Execute(out, view); err != nil {
		return fmt.Errorf("cannot make the report: %w", err)
	}
	return nil
}

// bars is the picture of the days: harvest before what a clear sky would have given, and
// the lowest charge as a line.
type bars struct {
	W, H, Left, Right, Top, Bottom float64
	Bars                           []bar
	Line                           string
	ReserveY                       float64
	Levels                         []level
	Desc                           string
}

type bar struct {
	X, W, ClearY, ClearH, GotY, GotH, TextX float64
	Text                                    string
}

type level struct {
	Y       float64
	Wh, SoC string
}

func (r Report) bars() bars {
	b := bars{W: 720, H: 280, Left: 58, Right: 672, Top: 16, Bottom: 240}
	most := 1.0
	for _, d := range r.Days {
		most = max(most, d.Got, d.Clear)
	}
	round := math.Pow(10, math.Floor(math.Log10(most)))
	most = math.Ceil(most/round*2) / 2 * round
	y := func(share float64) float64 { return b.Bottom - (b.Bottom-b.Top)*share }
	for _, s := range []float64{0, 0.25, 0.5, 0.75, 1} {
		b.Levels = append(b.Levels, level{y(s), fmt.Sprintf("%.0f", s*most), fmt.Sprintf("%.0f", 100*s)})
	}
	b.ReserveY = y(r.Reserve)
	wide := (b.Right - b.Left) / float64(max(1, len(r.Days)))
	every := max(1, int(math.Ceil(52/wide)))
	move := "M"
	for i, d := range r.Days {
		x := b.Left + wide*float64(i)
		v := bar{X: x + 0.1*wide, W: 0.8 * wide, ClearY: y(d.Clear / most), GotY: y(d.Got / most), TextX: x + wide/2}
		v.ClearH, v.GotH = b.Bottom-v.ClearY, b.Bottom-v.GotY
		if i%every == 0 {
			v.Text = d.Date.In(r.Zone).Format("2 Jan")
		}
		b.Bars = append(b.Bars, v)
		if math.IsNaN(d.SoCLeast) {
			move = "M"
			continue
		}
		b.Line += fmt.Sprintf("%s%.1f %.1f", move, v.TextX, y(d.SoCLeast))
		move = "L"
	}
	b.Desc = fmt.Sprintf("Harvest of %d days against what a clear sky would have given, and the lowest charge of each. The table below holds the numbers.", len(r.Days))
	return b
}

// shares is the picture of what became of a clear sky's harvest: one bar in parts.
type shares struct {
	Parts []part
	Desc  string
}

type part struct {
	X, W  float64
	Class string
	Text  string
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
	x := 0.0
	add := func(class, name string, amount float64) {
		if w := 700 * amount / all; w > 0.5 {
			text := fmt.Sprintf("%s %s", name, percent(amount/all))
			s.Parts = append(s.Parts, part{x, w, class, text})
			x += w
		}
	}
	add("got", "harvested", h.Got)
	for i, c := range Causes() {
		add(fmt.Sprintf("c%d", i), string(c), h.Missing[c])
	}
	var said []string
	for _, p := range s.Parts {
		said = append(said, p.Text)
	}
	s.Desc = "Of a clear sky's harvest: " + strings.Join(said, ", ") + "."
	return s
}
