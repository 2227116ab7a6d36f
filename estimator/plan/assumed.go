package plan

import "fmt"

// Assumption is something that a plan rests on.
type Assumption struct {
	What   string `json:"what"`
	Value  string `json:"value"`
	Source string `json:"source"`
}

// Assumed lists what the plan rests on, what is missing first said as such.
func (k *Kit) Assumed() []Assumption {
	out := []Assumption{k.assumedSun(), k.assumedDays(), k.assumedPanel(), k.assumedBattery()}
	air := Assumption{"temperature", "not known: no loss to cold is counted, and the panel's air is taken as 10 °C", "give air_celsius"}
	if len(k.Weather.AirCelsius) == 12 {
		air = Assumption{"temperature", fmt.Sprintf("the given monthly means; winter days differ from them by %.1f K, in runs and in spells of frost; the battery is %.0f K warmer than the air", usualWinter*or1(k.Weather.AirSpread), k.Weather.BoxWarmer), "spells fitted to 26 years at one lowland station; the spread is the measured record's, or that station's without one"}
	}
	if k.Weather.Guessed {
		air = Assumption{"temperature", fmt.Sprintf("a rough guess from latitude and height: January %.0f °C, July %.0f °C; a coast may be 10 K milder in winter, the middle of a continent 12 K colder", k.Weather.AirCelsius[0], k.Weather.AirCelsius[6]), "from memory of world maps; give air_celsius"}
	}
	stop := "none below 0 °C in the battery"
	if k.Weather.Release > 0 {
		stop += fmt.Sprintf(", and again from %.0f °C", k.Weather.Release)
	}
	if k.Weather.LossWK > 0 {
		stop += fmt.Sprintf("; a heater keeps it at %.0f °C against %.2g W/K", k.Weather.WarmTo, k.Weather.LossWK)
	}
	cold := Assumption{"charging in the cold", stop, "guides for LiFePO4; protection circuits usually do so"}
	if k.Weather.NoInhibit {
		cold.Value = "at any temperature, as given"
	}
	snow := Assumption{"snow on the panel", "none", "give snow_days"}
	if len(k.Weather.SnowDays) == 12 {
		snow = Assumption{"snow on the panel", fmt.Sprintf("the given days by month, in runs of %.1f days, on which the panel gives nothing", snowRun), "the owner; the runs are assumed"}
	}
	horizon := Assumption{"horizon", "free", "give horizon; trees grow into the winter sun within years"}
	if len(k.Weather.Horizon) > 0 {
		horizon = Assumption{"horizon", fmt.Sprintf("as drawn, %d corners; it takes the sun itself and leaves the sky", len(k.Weather.Horizon)), "the owner"}
	}
	return append(out, air, cold, snow, horizon,
		Assumption{"loss of load", "share of the energy asked for that is not given; a dark hour is one in which the load is off. Every year begins with a full battery", "usual definition"},
		Assumption{"forecast for shedding", fmt.Sprintf("its score and the day's correlate by %.2f on the first day, falling by %.2f a day", skillFirst, skillFalls), "assumed"},
	)
}

func (k *Kit) assumedSun() Assumption {
	if len(k.Site.Insolation) == 12 {
		return Assumption{"sun by month", "the given long-term means", "the owner's table or file"}
	}
	return Assumption{"sun by month", "a rough guess from the latitude: mountains, coasts and fog are not in it", "from memory of world maps; give insolation_kwh_m2_day"}
}

func (k *Kit) assumedDays() Assumption {
	return Assumption{"from day to day", "days are drawn about the month's mean with the spread and the persistence of measured days. The published daily transitions serve as a second opinion only: they have too few of the darkest days where a month's clearness is 0.30 to 0.35, as in a coast's winter, and saw up to 3.8 times too little loss there", "Bendt, Collares-Pereira & Rabl 1981; Hollands & Huget 1983; darkest days fitted to 26 years at one station, persistence by season to 14 years at two; held against the years of both; transitions of Aguiar, Collares-Pereira & Conde 1988"}
}

func (k *Kit) assumedPanel() Assumption {
	y := k.state()
	if k.Learned != nil && y.Panel.Days > 0 {
		return Assumption{"panel", fmt.Sprintf("what %.0f days taught of this panel", y.Panel.Days), "the node's own record"}
	}
	return Assumption{"panel", "0.88 of its label reaches the battery at 25 °C cell temperature, after wiring, dirt, mismatch and charger; -0.35 %/K; ground reflects 0.2; sky after Hay & Davies", "common practice; NREL/TP-6A20-62641; Hay & Davies 1980; Erbs et al. 1982"}
}

func (k *Kit) assumedBattery() Assumption {
	_, b := k.belief(1, 15)
	source := "common practice for LiFePO4"
	if k.Learned != nil {
		source = "the node's own record"
	}
	return Assumption{"battery", fmt.Sprintf("%.0f of %.0f Ah usable at 15 °C, less in the cold; %.1f %% of the charge and the difference of the voltages are lost", b.UsableAh, k.Battery.CapacityAh, 0.5), source}
}
