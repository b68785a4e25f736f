package serve

import (
	"encoding/json"
	"fmt"
	"log/slog"
)

// configFields is a Config without its methods. Without it, formatting would call
// Format again without end.
type configFields Config

// redacted returns the configuration without secrets. Keys are in files, of which
// only the paths are shown; a connection string may contain a password. The rest
// is settings that may be logged.
func (c Config) redacted() configFields {
	if c.Database != "" {
		c.Database = Describe(c.Database)
	}
	return configFields(c)
}

// Format prevents printing secrets.
func (c Config) Format(f fmt.State, verb rune) {
	fmt.Fprintf(f, fmt.FormatString(f, verb), c.redacted())
}

// MarshalJSON prevents encoding secrets.
func (c Config) MarshalJSON() ([]byte, error) { return json.Marshal(fmt.Sprintf("%+v", c.redacted())) }

// LogValue prevents logging secrets.
func (c Config) LogValue() slog.Value { return slog.StringValue(fmt.Sprintf("%+v", c.redacted())) }
