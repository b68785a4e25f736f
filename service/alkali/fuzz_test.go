package alkali

import (
	"encoding/binary"
	"math"
	"testing"
)

// readProduct makes any bytes a product: a method, a pH, then nine bytes a part.
func readProduct(data []byte) Product {
	var p Product
	if len(data) >= 9 {
		p.Method = Method(data[0] % 5)
		p.PH = readFloat(data[1:])
		data = data[9:]
	}
	for ; len(data) >= 9; data = data[9:] {
		p.Contains = append(p.Contains, Part{Substance(data[0]%20) - 1, readFloat(data[1:])})
	}
	return p
}

func readFloat(data []byte) float64 {
	return math.Float64frombits(binary.LittleEndian.Uint64(data))
}

// writeProduct is the other way, for the seeds.
func writeProduct(p Product) []byte {
	data := binary.LittleEndian.AppendUint64([]byte{byte(p.Method)}, math.Float64bits(p.PH))
	for _, part := range p.Contains {
		data = binary.LittleEndian.AppendUint64(append(data, byte(part.Substance+1)), math.Float64bits(part.Percent))
	}
	return data
}

// For any declaration: no panic, no result that is not a number, and more hydroxide
// never lowers the equivalent.
func FuzzProduct(f *testing.F) {
	f.Add(writeProduct(Product{Composition{{SodiumHydroxide, 2.2}, {LithiumHydroxide, 0.4}}, 9.5, Measured}))
	f.Add(writeProduct(Product{Composition{{CalciumHydroxide, 5}, {GuanidineCarbonate, 6}}, 13.1, Computed}))
	f.Add(writeProduct(Product{Composition{{ThioglycolicAcid, math.NaN()}, {UnknownSubstance, -1}}, math.NaN(), 3}))
	f.Add(writeProduct(Product{Composition{{SodiumHydroxide, math.Inf(1)}, {PotassiumHydroxide, 5e-324}}, math.Inf(-1), NoPH}))
	f.Add(writeProduct(Product{Composition{{LithiumHydroxideMonohydrate, 2.6e-310}}, 7, Measured}))
	f.Fuzz(func(t *testing.T, data []byte) {
		p := readProduct(data)
		for _, o := range Plausible(p) {
			if o.Text == "" || o.Part < -1 || o.Part >= len(p.Contains) {
				t.Fatalf("%v: %v", p, o)
			}
		}
		if ph, err := PHBound(p.Contains, 25); err == nil && !(ph > 6.9 && ph < 15.5) {
			t.Fatalf("%v: pH bound %g", p, ph)
		}
		more := Product{append(p.Contains, Part{LithiumHydroxide, 0.1}), p.PH, p.Method}
		if before, after := EquivalentNaOH(p.Contains), EquivalentNaOH(more.Contains); !(after >= before) {
			t.Fatalf("%v: %g, then %g", p, before, after)
		}
	})
}
