package serve

import (
	"context"
	"fmt"
	"path/filepath"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/keyfile"
	"alkalog/service/record"
	"alkalog/storage"
	"alkalog/storage/keyring"
)

// clientKeys is the keys that keys of clients are wrapped with, in a file of
// KeysDir.
func (c Config) clientKeys() *keyring.Ring {
	return &keyring.Ring{Read: func() ([]string, error) { return keyfile.Lines(c.clientKeyFile()) }}
}

func (c Config) clientKeyFile() string { return filepath.Join(c.KeysDir, "clients") }

// openClients makes sure that the records of clients can be read and written. For
// a private database without clients it makes the key file that is missing.
func openClients(ctx context.Context, cfg Config, db *storage.DB, ring *keyring.Ring) error {
	err := record.EachChain(ctx, db, func(chain *pb.Chain) error { return storage.CheckKeys(ctx, db, record.Chain(chain.Name)) })
	if err != nil {
		return fmt.Errorf("the keys in %s are not those of this database: %w", cfg.clientKeyFile(), err)
	}
	_, err = ring.Version()
	if !keyfile.Missing(err) {
		return err
	}
	if cfg.Database != "" {
		return fmt.Errorf("the keys of clients: %w; `server keys` makes what is missing", err)
	}
	line, err := keyring.NewKey(nil)
	if err != nil {
		return err
	}
	return keyfile.Create(cfg.clientKeyFile(), []byte(line+"\n"))
}
