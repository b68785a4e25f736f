package alkali_test

import (
	"fmt"

	"alkalog/service/alkali"
)

// 1.5 % lithium hydroxide counts as more than 2 % sodium hydroxide.
func ExampleEquivalentNaOH() {
	cream := alkali.Composition{{Substance: alkali.LithiumHydroxide, Percent: 1.5}}
	fmt.Printf("%.3f\n", alkali.EquivalentNaOH(cream))
	// Output: 2.505
}

// An impossible declaration is answered with the reason and what would be right.
func ExamplePlausible() {
	cream := alkali.Product{
		Contains: alkali.Composition{{Substance: alkali.SodiumHydroxide, Percent: 2.2}},
		PH:       9.5,
		Method:   alkali.Measured,
	}
	for _, objection := range alkali.Plausible(cream) {
		fmt.Println(objection.About + ": " + objection.Text)
	}
	// Output:
	// ph: pH 9.50 is too low for what is declared: in water at 25 degrees Celsius it reaches 13.58, and relaxers are measured up to about 2 below that; correct the pH or the percentages
}

// Activity matters: by concentration alone 2 % would be 13.70.
func ExamplePHBound() {
	ph, err := alkali.PHBound(alkali.Composition{{Substance: alkali.SodiumHydroxide, Percent: 2}}, 25)
	fmt.Printf("%.2f %v\n", ph, err)
	// Output: 13.54 <nil>
}
