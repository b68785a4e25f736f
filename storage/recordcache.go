package storage

import (
	linked "container/list"
	"sync"
)

// recordCache keeps the newest bodies of records in clear: salons, products, people,
// policies. A plan sends the versions that are in it along, and the statement returns a
// body only if the stored version is another one. So a record in the cache is never older
// than the snapshot: what the cache saves is the body, not the look-up.
//
// Chains are kept apart, and each has a share of its own, so that one chain with a large
// catalogue does not push out the others. It is safe for concurrent use.
type recordCache struct {
	mu     sync.Mutex
	chains map[string]*linked.Element // of *chainRecords
	recent *linked.List               // the chain used last in front
}

const (
	// maxChainBytes bounds the bodies that are kept of one chain. Our own choice: 4 kB a
	// record, so 250 products, salons and people.
	maxChainBytes = 1 << 20
	// maxCachedChains bounds the chains, and with maxChainBytes the memory. Our own choice.
	maxCachedChains = 64
)

// chainRecords are the records of one chain.
type chainRecords struct {
	chain  string
	bytes  int
	byKey  map[namedRow]*linked.Element // of *cachedRecord
	recent *linked.List
}

// cachedRecord is a record with its version.
type cachedRecord struct {
	at   namedRow
	etag string
	body []byte
}

func newRecordCache() *recordCache {
	return &recordCache{chains: map[string]*linked.Element{}, recent: linked.New()}
}

// of returns the records of a chain, and makes it the one used last.
func (c *recordCache) of(chain string) *chainRecords {
	if e, known := c.chains[chain]; known {
		c.recent.MoveToFront(e)
		return e.Value.(*chainRecords)
	}
	records := &chainRecords{chain: chain, byKey: map[namedRow]*linked.Element{}, recent: linked.New()}
	c.chains[chain] = c.recent.PushFront(records)
	if c.recent.Len() > maxCachedChains {
		oldest := c.recent.Remove(c.recent.Back()).(*chainRecords)
		delete(c.chains, oldest.chain)
	}
	return records
}

// get returns the records that are in the cache, by ID. Records of clients never are.
func (c *recordCache) get(chain string, w wantedNames) map[string]cachedRecord {
	if w.table.client != "" {
		return nil
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	records, found := c.of(chain), map[string]cachedRecord{}
	for _, id := range w.ids {
		if e, known := records.byKey[namedRow{w.table, w.parent, id}]; known {
			records.recent.MoveToFront(e)
			found[id] = *e.Value.(*cachedRecord)
		}
	}
	return found
}

// complete puts the cached bodies into rows that came without one, and keeps those that
// came with one. It reports whether every row has its body.
func (c *recordCache) complete(chain string, w wantedNames, cached map[string]cachedRecord, rows []plannedRow) bool {
	if w.table.client != "" {
		return true
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	records := c.of(chain)
	for i, r := range rows {
		switch {
		case r.body != nil:
			records.put(cachedRecord{namedRow{w.table, r.parent, r.id}, r.etag, r.body})
		case cached[r.id].etag == r.etag:
			rows[i].body = cached[r.id].body
		default: // two records with one etag, of which one is cached
			return false
		}
	}
	return true
}

// put keeps a record and forgets the ones that were not used for longest.
func (r *chainRecords) put(record cachedRecord) {
	if len(record.body) > maxChainBytes/8 || record.etag == "" {
		return
	}
	if e, known := r.byKey[record.at]; known {
		r.forget(e)
	}
	r.byKey[record.at] = r.recent.PushFront(&record)
	r.bytes += len(record.body)
	for r.bytes > maxChainBytes {
		r.forget(r.recent.Back())
	}
}

// forget drops a record.
func (r *chainRecords) forget(e *linked.Element) {
	record := r.recent.Remove(e).(*cachedRecord)
	delete(r.byKey, record.at)
	r.bytes -= len(record.body)
}
