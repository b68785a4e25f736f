package record

import (
	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/rules"
	"alkalog/service/texts"
	"alkalog/storage"
)

// Language returns the language in which the caller is served: what the caller asks
// for by accept-language, as far as its texts were reviewed or the chain turned drafts
// on. English otherwise. name is of anything in the chain.
func Language(r *storage.Snapshot, caller actor.Actor, name string) (string, error) {
	if caller.AcceptLanguage == "" {
		return texts.English, nil // most tills: no read
	}
	stored, err := GetUnchecked(r, storage.Chains, actor.ChainOf(name))
	return texts.Choose(caller.AcceptLanguage, stored.GetSettings().GetUnreviewedLanguages()), err
}

// Localize adds to a decision its texts in the caller's language, and that language.
// They are stored with the decision, so the record shows what was on the screen.
func Localize(r *storage.Snapshot, caller actor.Actor, engine *rules.Engine, d *pb.Decision) error {
	lang, err := Language(r, caller, d.Inputs.GetSalon().GetName())
	if err != nil || lang == texts.English {
		return err
	}
	d.Language, d.LocalTextsReviewed = lang, texts.Reviewed(lang)
	d.LocalTexts, err = engine.LocalTexts(lang, d)
	return err
}
