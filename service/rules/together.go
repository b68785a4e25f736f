package rules

// togetherText is a group of questions as its file has it: questions that may be
// answered with one tap when the answer is one of the shared ones.
type togetherText struct {
	ID     string   `yaml:"id"`
	Text   string   `yaml:"text"`
	Since  string   `yaml:"since"`  // the text on a later visit, with {date} for the last one
	Shared []string `yaml:"shared"` // values that one tap may give to all
	Fields []string `yaml:"fields"`
}
