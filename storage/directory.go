package storage

import (
	"context"
	"database/sql"

	pb "alkalog/proto/alkalogv1"
)

// Chains, Salons and Practitioners are listed by ID. They are stored in clear, because
// they belong to no client.
var (
	Chains        = Mutable[*pb.Chain]{Kind[*pb.Chain]{table: newTable[*pb.Chain]("chains")}}
	Salons        = Mutable[*pb.Salon]{Kind[*pb.Salon]{table: newTable[*pb.Salon]("salons")}}
	Practitioners = Mutable[*pb.Practitioner]{Kind[*pb.Practitioner]{table: newTable[*pb.Practitioner]("practitioners")}}
)

// ListChains reads a page of all chains, by ID. It is the only list that is not
// confined to one chain; only operators may call it, which the contract's access option
// states.
func ListChains(ctx context.Context, db *DB, page Page) ([]*pb.Chain, string, error) {
	tx, err := db.acrossChains(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, "", err
	}
	defer tx.end()
	return list[*pb.Chain](&Snapshot{ctx: ctx, db: db, tx: tx}, byID("chains", "true", false), page)
}
