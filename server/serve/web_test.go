package serve

import (
	"strings"
	"testing"
	"testing/fstest"
)

// TestWebConfig: a configuration that would admit the wrong callers to the web door is
// refused, with the setting to change.
func TestWebConfig(t *testing.T) {
	t.Parallel()
	page := fstest.MapFS{}
	for what, c := range map[string]struct {
		change func(*Config)
		says   string // empty: accepted
	}{
		"on loopback":           {func(c *Config) { c.WebAddress = "127.0.0.1:0" }, ""},
		"with a page":           {func(c *Config) { c.WebAddress, c.Development, c.WebPage = "127.0.0.1:0", true, page }, ""},
		"with origins":          {func(c *Config) { c.WebAddress, c.WebOrigins = "127.0.0.1:0", []string{"https://till.example"} }, ""},
		"open without TLS":      {func(c *Config) { c.WebAddress = "0.0.0.0:0" }, "TLS certificate"},
		"open with development": {func(c *Config) { c.WebAddress, c.Development, c.TLSCert, c.TLSKey = "0.0.0.0:0", true, "c", "k" }, "loopback addresses only"},
		"development with origins": {func(c *Config) {
			c.WebAddress, c.Development, c.WebOrigins = "127.0.0.1:0", true, []string{"https://till.example"}
		}, "cannot be combined with development"},
		"any origin":                   {func(c *Config) { c.WebAddress, c.WebOrigins = "127.0.0.1:0", []string{"*"} }, "--web-origin"},
		"the origin of a sandbox":      {func(c *Config) { c.WebAddress, c.WebOrigins = "127.0.0.1:0", []string{"null"} }, "--web-origin"},
		"a page for proven identities": {func(c *Config) { c.WebAddress, c.WebPage = "127.0.0.1:0", page }, "development identities only"},
		"origins without an address":   {func(c *Config) { c.WebOrigins = []string{"https://till.example"} }, "--web-address"},
		"a page without an address":    {func(c *Config) { c.WebPage, c.Development = page, true }, "--web-address"},
		"a name without an address":    {func(c *Config) { c.WebHosts = []string{"till.example"} }, "--web-address"},
	} {
		cfg := Config{DataDir: t.TempDir()}
		c.change(&cfg)
		err := cfg.Check()
		if (c.says == "") != (err == nil) || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %q", what, err, c.says)
		}
	}
}
