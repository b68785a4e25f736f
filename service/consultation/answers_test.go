package consultation

import (
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	"alkalog/proto/fieldpath"
)

// fill gives every field of a message some value, so that its paths can be listed.
func fill(m protoreflect.Message) {
	for i := range m.Descriptor().Fields().Len() {
		f := m.Descriptor().Fields().Get(i)
		switch {
		case m.Has(f) && f.IsList():
			for j := range m.Get(f).List().Len() {
				fill(m.Get(f).List().Get(j).Message())
			}
		case f.IsList() || m.Has(f) && f.Message() == nil:
		case f.Message() != nil:
			fill(m.Mutable(f).Message())
		case f.Enum() != nil:
			m.Set(f, protoreflect.ValueOfEnum(1))
		case f.Kind() == protoreflect.StringKind:
			m.Set(f, protoreflect.ValueOfString("x"))
		case f.Kind() == protoreflect.Int32Kind:
			m.Set(f, protoreflect.ValueOfInt32(1))
		case f.Kind() == protoreflect.DoubleKind:
			m.Set(f, protoreflect.ValueOfFloat64(1))
		}
	}
}

// anyValue draws a value that could have been stored in a consultation; a time lies before it.
func anyValue(t *rapid.T, p fieldpath.Path, e earlier) (protoreflect.Value, bool) {
	d := p.Describe()
	before := func() time.Time {
		return e.UpdateTime.AsTime().AddDate(0, 0, -rapid.IntRange(0, 600).Draw(t, "days before"))
	}
	switch d.Kind {
	case fieldpath.KindAnswer, fieldpath.KindChoice:
		return protoreflect.ValueOfEnum(rapid.SampledFrom(d.Choices).Draw(t, "choice").Number), true
	case fieldpath.KindTime:
		return protoreflect.ValueOfMessage(timestamppb.New(before()).ProtoReflect()), true
	case fieldpath.KindDate:
		at := before()
		return protoreflect.ValueOfMessage((&date.Date{Year: int32(at.Year()), Month: int32(at.Month()), Day: int32(rapid.SampledFrom([]int{0, 1, at.Day()}).Draw(t, "day"))}).ProtoReflect()), true
	case fieldpath.KindNumber:
		if d.Whole {
			return protoreflect.ValueOfInt32(int32(*d.Min) + 1), true
		}
		return protoreflect.ValueOfFloat64(*d.Max / 2), true
	}
	return protoreflect.Value{}, false
}
