package identity

import (
	"cmp"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"

	"alkalog/server/keys"
)

// Grant is the content of a token that the installation signs itself. Its bearer
// is who the token says, until it expires or its ID is revoked.
type Grant struct {
	Issuer, Audience string   // empty: DefaultIssuer
	Role, Name       string   // as in Development
	Salons           []string // salons the bearer is confined to; may be empty
	From, Until      time.Time
}

// Sign makes a token. It rejects a grant that Tokens would not accept. Each token
// gets a random ID, by which it can be revoked alone.
func Sign(key keys.SigningKey, g Grant) (string, error) {
	claims := map[string]any{
		"iss": cmp.Or(g.Issuer, DefaultIssuer), "aud": cmp.Or(g.Audience, DefaultIssuer),
		"sub": g.Name, "client_id": DefaultIssuer, "jti": uuid.NewString(),
		"iat": g.From.Unix(), "nbf": g.From.Unix(), "exp": g.Until.Unix(), claimActor: g.Name, claimRole: g.Role,
	}
	var listed json.RawMessage
	if len(g.Salons) > 0 {
		claims[claimSalons] = g.Salons
		listed, _ = json.Marshal(g.Salons) // strings can always be encoded
	}
	a, problem := newActor(g.Role, g.Name)
	if problem == "" {
		problem = confine(&a, listed)
	}
	if problem == "" && !g.Until.After(g.From) {
		problem = fmt.Sprintf("the token would expire at %v, want a time after its start %v", g.Until, g.From)
	}
	if problem != "" {
		return "", fmt.Errorf("identity: %s", problem)
	}
	return key.Sign(claims)
}
