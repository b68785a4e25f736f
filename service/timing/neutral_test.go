package timing

import (
	"math"
	"slices"
	"strings"
	"testing"

	pb "alkalog/proto/alkalogv1"
)

func TestNeutrality(t *testing.T) {
	for _, c := range []struct {
		name    string
		lathers []*pb.Event
		want    bool
	}{
		{"no shampoo", nil, false},
		{"pink, pink, clear", []*pb.Event{shampoo(1, pink), shampoo(2, pink), shampoo(3, clear)}, true},
		{"pink, clear, clear", []*pb.Event{shampoo(1, pink), shampoo(2, clear), shampoo(3, clear)}, true},
		{"pink, clear: only two lathers", []*pb.Event{shampoo(1, pink), shampoo(2, clear)}, false},
		{"clear three times: no colour proves nothing", []*pb.Event{shampoo(1, clear), shampoo(2, clear), shampoo(3, clear)}, false},
		{"clear first, strong alkali hides the colour; then pink, then clear", []*pb.Event{shampoo(1, clear), shampoo(2, pink), shampoo(3, clear)}, true},
		{"clear, clear, pink", []*pb.Event{shampoo(1, clear), shampoo(2, clear), shampoo(3, pink)}, false},
		{"pink, clear, pink", []*pb.Event{shampoo(1, pink), shampoo(2, clear), shampoo(3, pink)}, false},
		{"pink, clear, pink, clear", []*pb.Event{shampoo(1, pink), shampoo(2, clear), shampoo(3, pink), shampoo(4, clear)}, true},
		{"colour never noted", []*pb.Event{shampoo(1, unseen), shampoo(2, unseen), shampoo(3, unseen)}, false},
		{"pink, then nobody looked", []*pb.Event{shampoo(1, pink), shampoo(2, unseen), shampoo(3, unseen)}, false},
		{"the same lather noted pink and clear", []*pb.Event{shampoo(1, pink), shampoo(1, clear), shampoo(2, unseen), shampoo(3, unseen)}, false},
		{"one lather noted by two people counts once", []*pb.Event{shampoo(1, pink), shampoo(2, pink), shampoo(2, clear)}, false},
		{"paper below the indicator's point", []*pb.Event{shampoo(1, clear), shampoo(2, clear), paper(3, clear, 7.1)}, true},
		{"paper below, no colour noted", []*pb.Event{shampoo(1, unseen), shampoo(2, unseen), paper(3, unseen, 8.19)}, true},
		{"paper at the point", []*pb.Event{shampoo(1, clear), shampoo(2, clear), paper(3, clear, 8.2)}, false},
		{"paper below after two lathers", []*pb.Event{shampoo(1, clear), paper(2, clear, 7)}, false},
		{"paper below, but the lather is pink", []*pb.Event{shampoo(1, pink), shampoo(2, pink), paper(3, pink, 7)}, false},
		{"pink, then clear, but paper still alkaline", []*pb.Event{shampoo(1, pink), shampoo(2, pink), paper(3, clear, 9)}, false},
		{"paper below at the second lather, the third not read", []*pb.Event{shampoo(1, pink), paper(2, clear, 7), shampoo(3, unseen)}, true},
		{"paper below, pink again later", []*pb.Event{shampoo(1, clear), shampoo(2, clear), paper(3, clear, 7), shampoo(4, pink)}, false},
		{"a reading that is no number", []*pb.Event{shampoo(1, clear), shampoo(2, clear), paper(3, clear, math.NaN())}, false},
	} {
		s := oneSection().at(8, water("")).at(9, rinsedOutFact())
		for i, l := range c.lathers {
			s.at(10+float64(i), l)
		}
		if got := s.stateAt(30).Neutral; got != c.want {
			t.Errorf("%s: neutral %v, want %v", c.name, got, c.want)
		}
	}
}

func TestProductAgainUndoesNeutrality(t *testing.T) {
	s := oneSection().at(8, rinsedOutFact()).at(9, shampoo(1, pink)).at(10, shampoo(2, pink)).at(11, shampoo(3, clear))
	if !s.stateAt(12).Neutral {
		t.Fatal("first stage is neutral")
	}
	s.at(15, applied("front-left"))
	if got := s.stateAt(16); got.Neutral || got.Shampoos != 0 {
		t.Errorf("with product on again: neutral %v, %d lathers", got.Neutral, got.Shampoos)
	}
	s.at(22, rinsedOutFact()).at(23, shampoo(1, clear)).at(24, shampoo(2, clear)).at(25, shampoo(3, clear))
	if s.stateAt(26).Neutral {
		t.Error("the colour of the first stage does not count for the second")
	}
}

func unnumbered(colour pb.IndicatorColour) *pb.Event {
	return &pb.Event{Fact: &pb.Event_Shampoo{Shampoo: &pb.Shampoo{Indicator: colour}}}
}

func TestNeutralProof(t *testing.T) {
	const none, gone, ph, notShown = pb.NeutralProof_NEUTRAL_PROOF_UNSPECIFIED, pb.NeutralProof_NEUTRAL_PROOF_COLOUR_GONE,
		pb.NeutralProof_NEUTRAL_PROOF_PH, pb.NeutralProof_NEUTRAL_PROOF_NOT_SHOWN
	normalized := []*pb.Event{normalizerOn(), normalizerOff()}
	for _, c := range []struct {
		name  string
		after []*pb.Event
		want  pb.NeutralProof
	}{
		{"colour seen and gone", []*pb.Event{shampoo(1, pink), shampoo(2, pink), shampoo(3, clear)}, gone},
		{"colour seen and gone, lathers not numbered", []*pb.Event{unnumbered(pink), unnumbered(pink), unnumbered(clear)}, gone},
		{"not numbered, only two", []*pb.Event{unnumbered(pink), unnumbered(clear)}, none},
		{"numbers left out after the first", []*pb.Event{shampoo(1, pink), unnumbered(pink), unnumbered(clear)}, gone},
		{"a pH reading", []*pb.Event{shampoo(1, clear), shampoo(2, clear), paper(3, clear, 7)}, ph},
		{"a pH reading, then a clear lather", []*pb.Event{shampoo(1, pink), paper(2, clear, 7), shampoo(3, clear)}, ph},
		{"never seen, normalized, three clear lathers", append(normalized, shampoo(1, clear), shampoo(2, clear), shampoo(3, clear)), notShown},
		{"never seen, normalized, two clear lathers", append(normalized, shampoo(1, clear), shampoo(2, clear)), none},
		{"never seen, normalized, one lather not looked at", append(normalized, shampoo(1, clear), shampoo(2, unseen), shampoo(3, clear)), none},
		{"never seen, three clear lathers, no normalizer", []*pb.Event{shampoo(1, clear), shampoo(2, clear), shampoo(3, clear)}, none},
		{"never seen, three clear lathers, then normalizer", []*pb.Event{shampoo(1, clear), shampoo(2, clear), shampoo(3, clear), normalizerOn()}, none},
		{"never seen, three clear lathers, then normalizer and out", []*pb.Event{shampoo(1, clear), shampoo(2, clear), shampoo(3, clear), normalizerOn(), normalizerOff()}, none},
		{"the same, and three clear lathers more", []*pb.Event{shampoo(1, clear), shampoo(2, clear), shampoo(3, clear), normalizerOn(), normalizerOff(), shampoo(4, clear), shampoo(5, clear), shampoo(6, clear)}, notShown},
		{"two clear lathers before the normalizer, two after", []*pb.Event{shampoo(1, clear), shampoo(2, clear), normalizerOn(), normalizerOff(), shampoo(3, clear), shampoo(4, clear)}, none},
		{"normalizer on, never rinsed out, three clear lathers", []*pb.Event{normalizerOn(), shampoo(1, clear), shampoo(2, clear), shampoo(3, clear)}, none},
		{"normalizer out by water on the whole head", []*pb.Event{normalizerOn(), water(""), shampoo(1, clear), shampoo(2, clear), shampoo(3, clear)}, notShown},
		{"normalizer out by a rinse that was finished", []*pb.Event{normalizerOn(), rinsedOutFact(), shampoo(1, clear), shampoo(2, clear), shampoo(3, clear)}, notShown},
		{"water on one section does not rinse the normalizer out", []*pb.Event{normalizerOn(), water("back-left"), shampoo(1, clear), shampoo(2, clear), shampoo(3, clear)}, none},
		{"out without ever on", []*pb.Event{normalizerOff(), shampoo(1, clear), shampoo(2, clear), shampoo(3, clear)}, none},
		{"colour gone, and a normalizer on the hair", []*pb.Event{shampoo(1, pink), shampoo(2, pink), shampoo(3, clear), normalizerOn()}, none},
		{"colour gone, normalizer on and out", []*pb.Event{shampoo(1, pink), shampoo(2, pink), shampoo(3, clear), normalizerOn(), normalizerOff()}, gone},
		{"a pH reading, and a normalizer on the hair", []*pb.Event{shampoo(1, clear), shampoo(2, clear), paper(3, clear, 7), normalizerOn()}, none},
		{"normalized, product on again, three clear lathers", append(slices.Clone(normalized), applied("back-left"), rinsedOutFact(), shampoo(1, clear), shampoo(2, clear), shampoo(3, clear)), none},
		{"normalized, colour still there", append(normalized, shampoo(1, clear), shampoo(2, clear), shampoo(3, clear), shampoo(4, pink)), none},
		{"normalized, clear, but paper is alkaline", append(normalized, shampoo(1, clear), shampoo(2, clear), paper(3, clear, 9), shampoo(4, clear)), none},
		{"normalized, colour seen and gone is the better proof", append(normalized, shampoo(1, pink), shampoo(2, clear), shampoo(3, clear)), gone},
	} {
		s := oneSection().at(8, water("")).at(9, rinsedOutFact())
		for i, e := range c.after {
			s.at(10+float64(i), e)
		}
		state := s.stateAt(30)
		if state.NeutralProof != c.want {
			t.Errorf("%s: %v, want %v", c.name, state.NeutralProof, c.want)
		}
		if wantShown := c.want == gone || c.want == ph; state.Neutral != wantShown {
			t.Errorf("%s: shown to be neutral: %v", c.name, state.Neutral)
		}
		closing := slices.Contains(deviationWords(ClosingDeviations(s.session, s.events, minute(30))), "NOT_NEUTRALIZED ")
		if closing != (c.want == none) {
			t.Errorf("%s: a deviation when it is closed: %v", c.name, closing)
		}
	}
}

// several is a fact about some lathers: what the earlier ones showed, and the last one.
func several(count int32, earlier, last pb.IndicatorColour) *pb.Event {
	return &pb.Event{Fact: &pb.Event_Shampoo{Shampoo: &pb.Shampoo{Lathers: new(count), EarlierIndicator: earlier, Indicator: last}}}
}

// One fact about several lathers proves what the same lathers prove one by one, and
// nothing where it does not say what was seen.
func TestSeveralLathersInOneFact(t *testing.T) {
	normalized := func(e *pb.Event) *pb.Event { e.GetShampoo().AfterNormalizer = true; return e }
	numbered := func(n int32, e *pb.Event) *pb.Event { e.GetShampoo().Number = new(n); return e }
	const none, gone, notShown = pb.NeutralProof_NEUTRAL_PROOF_UNSPECIFIED, pb.NeutralProof_NEUTRAL_PROOF_COLOUR_GONE, pb.NeutralProof_NEUTRAL_PROOF_NOT_SHOWN
	for _, c := range []struct {
		name    string
		after   []*pb.Event
		want    pb.NeutralProof
		lathers int32
	}{
		{"colour, and then gone", []*pb.Event{several(3, pink, clear)}, gone, 3},
		{"only two", []*pb.Event{several(2, pink, clear)}, none, 2},
		{"two and one more", []*pb.Event{several(2, pink, pink), several(1, unseen, clear)}, gone, 3},
		{"what came before was not noted", []*pb.Event{several(3, unseen, clear)}, none, 3},
		{"colour still there", []*pb.Event{several(3, pink, pink)}, none, 3},
		{"the last one was not looked at", []*pb.Event{several(3, pink, unseen)}, none, 3},
		{"all clear, no normalizer", []*pb.Event{several(3, clear, clear)}, none, 3},
		{"all clear after the normalizer", []*pb.Event{normalized(several(3, clear, clear))}, notShown, 3},
		{"the normalizer was on, and the fact says that it was out", []*pb.Event{normalizerOn(), normalized(several(3, clear, clear))}, notShown, 3},
		{"the normalizer was on, and it does not", []*pb.Event{normalizerOn(), several(3, clear, clear)}, none, 3},
		{"normalized, and what came before was not noted", []*pb.Event{normalized(several(3, unseen, clear))}, none, 3},
		{"a colour before that this program does not know proves nothing", []*pb.Event{several(3, 9, clear)}, none, 3},
		{"numbered by the last", []*pb.Event{numbered(3, several(3, pink, clear))}, gone, 3},
		{"more lathers than its number has", []*pb.Event{numbered(2, several(3, pink, clear))}, none, 2},
		{"noted again by somebody else", []*pb.Event{numbered(2, several(2, pink, clear)), numbered(2, several(2, pink, clear))}, none, 2},
	} {
		s := oneSection().at(8, water("")).at(9, rinsedOutFact())
		for i, e := range c.after {
			s.at(10+float64(i), e)
		}
		if state := s.stateAt(30); state.NeutralProof != c.want || state.Shampoos != c.lathers {
			t.Errorf("%s: %v after %d lathers, want %v after %d", c.name, state.NeutralProof, state.Shampoos, c.want, c.lathers)
		}
	}
}

// Colour after four lathers does not go away by shampooing alone.
func TestColourAfterFourLathers(t *testing.T) {
	s := oneSection().at(8, rinsedOutFact()).at(9, shampoo(1, pink)).at(10, shampoo(2, pink)).at(11, shampoo(3, pink))
	advice := func(m float64) string { return s.stateAt(m).Alarms[0].Message }
	if got := advice(11.5); strings.Contains(got, "normalizer") {
		t.Errorf("after three lathers: %s", got)
	}
	s.at(12, shampoo(4, pink))
	if got := advice(12.5); !strings.HasPrefix(got, "Rinse again, put the normalizer on, then shampoo.") {
		t.Errorf("after four lathers: %s", got)
	}
}
