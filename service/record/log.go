package record

import (
	"fmt"

	"alkalog/service/ledger"
	"alkalog/storage"
)

// LogHead is the stored head of a log in the words of the ledger. Services read
// logs, the sequencer writes them.
func LogHead(h storage.LogHead) ledger.Head {
	head := ledger.Head{Size: h.Size}
	copy(head.Root[:], h.Root)
	return head
}

// LogTiles reads the tiles of the chain's log, those that are asked for at once
// by one query. A tile that is stored wider than asked for is cut: later entries
// extend a tile, and a proof for an older head needs its older width. A narrower
// one is ledger.ErrTiles, which callers see as a damaged log.
func LogTiles(s *storage.Snapshot) ledger.TileReader {
	return func(ids []ledger.TileID) ([][]byte, error) {
		wanted := make([]storage.LogTile, len(ids))
		for i, id := range ids {
			wanted[i] = storage.LogTile{Level: id.Level, Index: id.Index}
		}
		found, err := storage.ReadLogTiles(s, wanted)
		if err != nil {
			return nil, err
		}
		byPlace := map[ledger.TileID][]byte{}
		for _, t := range found {
			byPlace[ledger.TileID{Level: t.Level, Index: t.Index}] = t.Hashes
		}
		hashes := make([][]byte, len(ids))
		for i, id := range ids {
			stored := byPlace[ledger.TileID{Level: id.Level, Index: id.Index}]
			bytes := id.Width * len(ledger.Hash{})
			if len(stored) < bytes {
				return nil, fmt.Errorf("%w: %s is missing or cut off", ledger.ErrTiles, id.Path())
			}
			hashes[i] = stored[:bytes]
		}
		return hashes, nil
	}
}
