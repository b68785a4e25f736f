package demo

// closing says where every figure of the story comes from. A figure without a
// source must not look like one that has a source.
func (d *run) closing() {
	d.page.act("Where the figures come from")
	d.page.say("Limits, waits and rules: each finding above names its rule, version and basis; ListRules returns all of them with their sources. Times to rinse: the product's directions and the house maximum, whichever is shorter, as stated at the beginning of the service. Estimates of straightening: a statistical model centred on the product's own directions and corrected by the strand tests; it is not a chemical model, because no published reaction rates were found. Brackets show the 90 %% interval. Readings, times and people: invented.")
	d.page.say("")
	d.page.say("The manufacturer's directions come first. Local codes and licensed practice decide. In doubt: do not apply, refer.")
}
