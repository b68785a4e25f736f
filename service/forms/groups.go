package forms

import (
	"slices"
	"strings"

	pb "alkalog/proto/alkalogv1"
	"alkalog/proto/fieldpath"
	"alkalog/service/rules"
	"alkalog/service/texts"
)

// groupStatement groups the items of a statement that are needed. A statement that was
// given already is not shown again: what it leaves open is asked singly. The single item
// is shown among the others and asked by itself.
func (f *form) groupStatement(s *pb.StatementAnswer) {
	if f.given(s) {
		return
	}
	single := f.SingleItem(s)
	g := &pb.QuestionGroup{GroupId: s.GetStatementId(), Kind: pb.GroupKind_GROUP_KIND_STATEMENT, Version: s.GetVersion(),
		SingleItem: wholeEvent(single), OfClient: s.GetOfClient(), SharedChoices: Choices(fieldpath.MustParse(s.GetItems()[0].GetField()), f.Language)}
	g.SharedChoices = slices.DeleteFunc(g.SharedChoices, func(c *pb.QuestionChoice) bool { return c.Value != pb.Answer_ANSWER_NO.String() })
	g.Text, g.EnglishText = f.words("statements/"+s.GetStatementId(), s.GetText())
	for _, item := range s.GetItems() {
		text, english := f.words("statements/"+item.GetField(), item.GetText())
		g.Items = append(g.Items, &pb.GroupItem{Field: wholeEvent(item.GetField()), Text: text, EnglishText: english})
		if item.GetField() != single && f.isNeeded(item.GetField()) {
			f.groupOf[item.GetField()] = g
		}
	}
}

// given tells whether a statement was given and says something.
func (f *form) given(s *pb.StatementAnswer) bool {
	return slices.ContainsFunc(f.Inputs.GetConsultation().GetStatements(), func(g *pb.StatementAnswer) bool {
		return g.GetStatementId() == s.GetStatementId() && (!s.GetOfClient() || g.GetClientConfirmation() != 0)
	})
}

// groupTogether groups the needed questions of which one tap can answer at least two. A
// single one that is left is asked by its own words. The text with the date of the last
// visit is used when there was one; the date is that of the salon's calendar.
func (f *form) groupTogether(t rules.Asked) {
	var members []rules.Need
	for _, n := range f.needs {
		if slices.Contains(t.Fields, n.Field) && f.groupOf[n.Path] == nil && (t.Since == "" || f.saidNoBefore(n.Path)) {
			members = append(members, n)
		}
	}
	if len(members) < 2 {
		return
	}
	g := &pb.QuestionGroup{GroupId: t.ID, Kind: pb.GroupKind_GROUP_KIND_TOGETHER, SharedChoices: f.shared(t, members)}
	if g.Text, g.EnglishText = f.words("together/"+t.ID, t.Text); t.Since != "" && f.Earlier != nil {
		g.Text, g.EnglishText = f.since(t)
	}
	for _, n := range members {
		q := f.question(n)
		g.Items = append(g.Items, &pb.GroupItem{Field: q.Field, Text: q.Question, EnglishText: q.EnglishQuestion})
		f.groupOf[n.Path] = g
	}
}

// since is the question of somebody who was here before, with the date of that visit, and
// the English beside a translation. A day is written in words in English, and in numbers
// in the order day, month, year in the other languages, which all use that order.
func (f *form) since(t rules.Asked) (text, beside string) {
	day := f.Earlier.GetSubmitTime().AsTime().In(f.Zone)
	english := strings.ReplaceAll(t.Since, "{date}", day.Format("2 January 2006"))
	text, reviewed := texts.Translate(f.Language, "together/"+t.ID+".since", t.Since, texts.Args{"date": day.Format("02/01/2006")})
	switch {
	case text == "":
		return english, ""
	case reviewed:
		return text, ""
	}
	return text, english
}

// saidNoBefore tells whether "not since the last visit" means "never" for an answer: it
// was "no" at that visit, or there was none and the question says "ever". New growth is
// hair that was not there yet.
func (f *form) saidNoBefore(path string) bool {
	if f.earlier == nil || strings.HasPrefix(path, "consultation.hair.zones[new-growth]") {
		return true
	}
	p, err := fieldpath.Parse(path)
	if err != nil {
		return false
	}
	value, answered := p.Get(f.earlier)
	return answered && value.Enum() == pb.Answer_ANSWER_NO.Number()
}

// shared are the choices that one tap may give to all members, with the words of the
// first one's choices. A value is found by its name without the enum's prefix, since the
// fields of a group may be of different enums.
func (f *form) shared(t rules.Asked, members []rules.Need) []*pb.QuestionChoice {
	all := Choices(fieldpath.MustParse(members[0].Path), f.Language)
	return slices.DeleteFunc(all, func(c *pb.QuestionChoice) bool {
		return !slices.ContainsFunc(t.Shared, func(name string) bool { return strings.HasSuffix(c.Value, "_"+name) })
	})
}

// isNeeded tells whether a rule waits for the answer at a path.
func (f *form) isNeeded(path string) bool {
	return slices.ContainsFunc(f.needs, func(n rules.Need) bool { return n.Path == path })
}

// words are a text in the form's language, and the English beside a translation that
// nobody reviewed.
func (f *form) words(id, english string) (text, beside string) {
	return inLanguage(f.Language, id, english)
}

// inLanguage translates a text. A translation of another English sentence than this one is
// never used; see package texts.
func inLanguage(lang, id, english string) (text, beside string) {
	translated, reviewed := texts.Translate(lang, id, english, nil)
	switch {
	case translated == "":
		return english, ""
	case reviewed:
		return translated, ""
	}
	return translated, english
}
