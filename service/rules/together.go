package rules

import "fmt"

// togetherText is a group of questions as its file has it: questions that may be
// answered with one tap when the answer is one of the shared ones. Each of them still
// gets an answer of its own, so rules know nothing of groups.
type togetherText struct {
	ID     string   `yaml:"id"`
	Text   string   `yaml:"text"`
	Since  string   `yaml:"since"`  // the text on a later visit, with {date} for the last one
	Shared []string `yaml:"shared"` // values that one tap may give to all
	Fields []string `yaml:"fields"`
}

// addTogether checks the groups of a document and keeps them.
// A field that is no question is an error, because a tap on it would answer nothing.
func (e *Engine) addTogether(texts []togetherText) error {
	for _, t := range texts {
		if t.ID == "" || t.Text == "" || len(t.Shared) == 0 || len(t.Fields) == 0 {
			return fmt.Errorf("questions asked together %q must have an id, a text, shared answers and fields", t.ID)
		}
		for _, path := range t.Fields {
			if i, known := e.lang.index[path]; !known || !e.lang.fields[i].asked {
				return fmt.Errorf("questions asked together %s: %s is no question", t.ID, path)
			}
		}
		e.together = append(e.together, t)
	}
	return nil
}
