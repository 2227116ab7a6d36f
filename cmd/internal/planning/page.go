package planning

import (
	"embed"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"
	"time"

	"ebbwatch/estimator/plan"
)

//go:embed assets/plan.html assets/plan.css
var assets embed.FS

// HTML writes the plan as one page that needs nothing from anywhere.
func (r *Report) HTML(w io.Writer) error {
	css, err := assets.ReadFile("assets/plan.css")
	if err != nil {
		return fmt.Errorf("cannot write the page: %w", err)
	}
	page, err := template.New("plan.html").Funcs(template.FuncMap{
		"percent": Percent, "month": func(i int) string { return time.Month(i + 1).String()[:3] },
		"tie": tie, "compass": compass, "clearance": clearance,
		"css": func() template.CSS { return template.CSS(css) },
	}).ParseFS(assets, "assets/plan.html")
	if err != nil {
		return fmt.Errorf("cannot write the page: %w", err)
	}
	if err := page.Execute(w, r.view()); err != nil {
		return fmt.Errorf("cannot write the page: %w", err)
	}
	return nil
}

// view is the report with its charts.
type view struct {
	*Report
	Months                                                []int
	AimRows                                               [][]plan.Aim
	Aimed, SecondOpinion                                  string
	Balance, Dark, Hours, Frontier2, Tornado, Path, Years *chart
}

func (r *Report) view() view {
	v := view{Report: r, Aimed: r.aimed(), SecondOpinion: r.second(), AimRows: slices.Collect(slices.Chunk(r.Aims, plan.Directions))}
	south := r.kit.Site.Latitude < 0
	for i := range 12 {
		m := (i + 6) % 12
		if south {
			m = i
		}
		v.Months = append(v.Months, m)
	}
	keep := func(c chart) *chart { return &c }
	v.Balance, v.Dark = keep(balance(r.Outcome, south)), keep(darkness(r.Outcome, south))
	v.Hours = keep(byHour(r.profile))
	if len(r.Swings) > 0 {
		v.Tornado = keep(tornado(r.Swings, r.Outcome.DarkMean))
	}
	if len(r.Frontier) > 0 {
		v.Frontier2 = keep(frontier(r.Frontier, r.kit.Site.WattsPeak, r.kit.Battery.CapacityAh))
	}
	if r.Radio != nil {
		v.Path = keep(radioProfile(r.Radio))
	}
	if r.Measured != nil {
		v.Years = keep(nightsOf(r.Measured))
	}
	return v
}

// tie keeps a number and its unit on one line.
func tie(s string) string {
	for _, unit := range []string{"W", "%", "Ah", "EUR", "dark"} {
		for digit := range 10 {
			s = strings.ReplaceAll(s, fmt.Sprintf("%d %s", digit, unit), fmt.Sprintf("%d\u00a0%s", digit, unit))
		}
	}
	return s
}
