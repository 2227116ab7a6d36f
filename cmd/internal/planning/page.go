package planning

import (
	"embed"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"
	"time"

	"ebbwatch/cmd/internal/chart"
	"ebbwatch/estimator/plan"
	"ebbwatch/estimator/plan/radio"
	"ebbwatch/estimator/sun"
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
		"tie": tie, "compass": sun.Compass, "clearance": clearance, "crowns": overCrowns, "shower": func() float64 { return radio.Shower },
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
	Balance, Dark, Hours, Frontier2, Tornado, Path, Years *chart.Figure
}

func (r *Report) view() view {
	v := view{Report: r, Aimed: r.aimed(), SecondOpinion: r.second(), AimRows: slices.Collect(slices.Chunk(r.Aims, plan.Directions))}
	south := r.kit.Site.Latitude < 0
	v.Months = yearOf(south)
	v.Balance, v.Dark = balance(r.Outcome, south), darkness(r.Outcome, south)
	v.Hours = byHour(r.profile)
	if len(r.Swings) > 0 {
		v.Tornado = tornado(r.Swings, r.Outcome.DarkMean)
	}
	if len(r.Frontier) > 0 {
		v.Frontier2 = frontier(r.Frontier, r.kit.Site.WattsPeak, r.kit.Battery.CapacityAh)
	}
	if r.Radio != nil {
		v.Path = radioProfile(r.Radio)
	}
	if r.Measured != nil {
		v.Years = nightsOf(r.Measured)
	}
	return v
}

// yearOf is the months, 0 for January, from one summer to the next: a winter is then in the
// middle of a chart and not cut in two.
func yearOf(south bool) []int {
	months := make([]int, 12)
	for i := range months {
		months[i] = i
		if !south {
			months[i] = (i + 6) % 12
		}
	}
	return months
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
