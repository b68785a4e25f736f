package storage

// ClientOf is the id of the client whom a record needs to be there; empty: nobody.
func ClientOf(r Record) string {
	if r.statements == Clients.statements {
		return ""
	}
	return r.client
}
