package radio

import "fmt"

// limit is what a band usually allows to be radiated outdoors, dBm.
type limit struct {
	from, to, most float64 // MHz, MHz, dBm
	note           string
}

// europe is a cautious table of what is usual in Europe without a licence: ERC/REC 70-03,
// EN 300 328, EN 301 893, EN 302 502; as of 2024, from memory. Local law decides.
func europe() [7]limit {
	return [...]limit{
		{863, 870, 14, "and a limited share of the time"},
		{2400, 2483.5, 20, ""},
		{5150, 5350, 0, "indoors only"},
		{5470, 5725, 27, "30 with automatic power control, and radar detection"},
		{5725, 5875, 14, "more where a licence is had"},
		{17100, 17300, 20, ""},
		{57000, 71000, 40, ""},
	}
}

// allowed tells what is wrong with what the ends of a path in Europe radiate; empty when the
// table knows nothing against it.
func (p Path) allowed() string {
	for _, l := range europe() {
		if p.MHz < l.from || p.MHz > l.to {
			continue
		}
		for _, e := range [2]End{p.From, p.To} {
			if e.EIRP() <= l.most+0.05 {
				continue
			}
			text := fmt.Sprintf("%s radiates %.1f dBm; in Europe %.4g to %.4g MHz usually allows %.0f dBm outdoors", e.Name, e.EIRP(), l.from, l.to, l.most)
			if l.note != "" {
				text += " (" + l.note + ")"
			}
			return text + ", as of 2024: turn it down, local law decides"
		}
	}
	return ""
}
