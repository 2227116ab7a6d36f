package facts

// adviceRows are what actions would buy, for the texts of rules: no metric and no line of
// the page, which shows the whole price list instead.
func adviceRows() []Row {
	fact := func(name, unit, label, help string) Row {
		return Row{Fact: name, Unit: unit, Group: GroupOutlook, Label: label, Help: help, Each: extra(name)}
	}
	return []Row{
		fact("act_by_hours", "h", "Act within", "Hours until the last sensible moment to leave for a trip that helps"),
		fact("advice_shed_from_hour", "h", "Shed from", "Hour of the local day from which shedding a load helps"),
		fact("advice_shed_to_hour", "h", "Shed until", "Hour of the local day until which shedding a load helps"),
		fact("advice_shed_chance_after", "%", "Chance with that", "Chance of a cut-off within a week with that"),
		fact("advice_topup_wh", "Wh", "Bring", "Charge to bring"),
		fact("advice_topup_chance_after", "%", "Chance with that", "Chance of a cut-off within a week with that"),
		fact("advice_clean_hours", "h", "A clear panel buys", "Hours of service that a clear panel would buy"),
	}
}
