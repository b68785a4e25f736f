package timing

import (
	"fmt"
	"time"

	pb "alkalog/proto/alkalogv1"
)

// IsThio reports whether a session is a thio service, see the package comment.
func IsThio(s *pb.Session) bool {
	return s.GetProductKind() == pb.ProductKind_PRODUCT_KIND_THIO_RELAXER || s.GetServiceKind() == pb.ServiceKind_SERVICE_KIND_WAVE
}

// oxidiserMinutes is how long the neutralizer stays on.
func (f *folding) oxidiserMinutes() float64 {
	if f.limits.NeutralizerMinutes != nil {
		return f.limits.GetNeutralizerMinutes()
	}
	return oxidiserMinutes
}

// oxidiserEnds is when the neutralizer on the hair has been on long enough; zero when none
// is on. Minutes of an earlier application count.
func (f *folding) oxidiserEnds() time.Time {
	if f.oxidiser.since.IsZero() {
		return time.Time{}
	}
	left := f.oxidiserMinutes()
	if f.oxidiser.minutes != nil {
		left -= *f.oxidiser.minutes
	}
	return f.oxidiser.since.Add(minutes(max(0, left)))
}

// oxidiserOn reports whether the neutralizer is on and still needs time.
func (f *folding) oxidiserOn() bool { return f.at.Before(f.oxidiserEnds()) }

// notOxidisedBecause says for the log what the oxidation lacks, the first missing
// step first.
func (f *folding) notOxidisedBecause() string {
	switch {
	case f.rinsedOut.IsZero():
		return "before product was rinsed out"
	case !f.oxidiser.used():
		return "without the oxidising neutralizer"
	case !f.oxidiser.since.IsZero():
		return "before the oxidising neutralizer was rinsed out"
	}
	return fmt.Sprintf("after %.1f minutes of oxidising neutralizer; it stays on for %g", *f.oxidiser.minutes, f.oxidiserMinutes())
}

// oxidiseAdvice is the next step of the oxidation as an instruction.
func (f *folding) oxidiseAdvice() string {
	switch {
	case !f.oxidiser.since.IsZero():
		return "Rinse the neutralizer out. Its time is over."
	case f.oxidiser.used():
		return fmt.Sprintf("Put the neutralizer on again. It was on for less than %g minutes.", f.oxidiserMinutes())
	case !f.blotted:
		return fmt.Sprintf("Blot the hair, then put the neutralizer on for %g minutes.", f.oxidiserMinutes())
	}
	return fmt.Sprintf("Put the neutralizer on for %g minutes.", f.oxidiserMinutes())
}
