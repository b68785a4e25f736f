package serve

import (
	"encoding/json"
	"fmt"
	"log/slog"
)

// plain is a Config without its methods.
type configFields Config

// shown is the configuration as anybody may see it: secrets lie in files, which
// are only named, and a connection string may have one.
func (c Config) redacted() configFields {
	if c.Database != "" {
		c.Database = Describe(c.Database)
	}
	return configFields(c)
}

// Format keeps secrets out of whatever prints a configuration.
func (c Config) Format(f fmt.State, verb rune) {
	fmt.Fprintf(f, fmt.FormatString(f, verb), c.redacted())
}

// MarshalJSON keeps secrets out of whatever encodes one.
func (c Config) MarshalJSON() ([]byte, error) { return json.Marshal(fmt.Sprintf("%+v", c.redacted())) }

// LogValue keeps secrets out of whatever logs one.
func (c Config) LogValue() slog.Value { return slog.StringValue(fmt.Sprintf("%+v", c.redacted())) }
