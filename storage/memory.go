package storage

import (
	linked "container/list"
	"sync"
)

// memory keeps what was opened of clients' records and was used last, within a number of
// bytes. It holds personal data of clients whose key the server holds, and forgets those who
// are erased. What it keeps is never changed. It is safe for concurrent use.
type memory[V remembered] struct {
	mu      sync.Mutex
	byPlace map[memoryKey]*linked.Element // of *memoryItem[V]
	recent  *linked.List                  // what was used last in front
	bytes   int
	most    int
}

// remembered is a value that knows about how many bytes it takes. One that takes none is not
// kept.
type remembered interface{ memory() int }

// memoryKey is a place in a chain.
type memoryKey struct {
	chain string
	at    namedRow
}

type memoryItem[V remembered] struct {
	key   memoryKey
	value V
}

func newMemory[V remembered](most int) *memory[V] {
	return &memory[V]{byPlace: map[memoryKey]*linked.Element{}, recent: linked.New(), most: most}
}

// get returns what is kept for a place.
func (c *memory[V]) get(chain string, at namedRow) (value V, known bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	e, known := c.byPlace[memoryKey{chain, at}]
	if !known {
		return value, false
	}
	c.recent.MoveToFront(e)
	return e.Value.(*memoryItem[V]).value, true
}

// put keeps a value, unless that which is kept for the place is better, and forgets what was
// not used for longest. A value that takes too much is not kept.
func (c *memory[V]) put(chain string, at namedRow, value V, better func(V) bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	key := memoryKey{chain, at}
	// A value takes the place of the one before it; values are never changed, because other
	// calls may be reading them.
	if e, known := c.byPlace[key]; known {
		if better != nil && better(e.Value.(*memoryItem[V]).value) {
			return
		}
		c.forget(e)
	}
	size := value.memory()
	if size > c.most/4 || size == 0 {
		return
	}
	c.byPlace[key] = c.recent.PushFront(&memoryItem[V]{key, value})
	c.bytes += size
	for c.bytes > c.most {
		c.forget(c.recent.Back())
	}
}

// drop forgets a place.
func (c *memory[V]) drop(chain string, at namedRow) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if e, known := c.byPlace[memoryKey{chain, at}]; known {
		c.forget(e)
	}
}

// dropClient forgets everything whose parent is a client.
func (c *memory[V]) dropClient(chain, client string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for key, e := range c.byPlace {
		if key.chain == chain && key.at.parent == client {
			c.forget(e)
		}
	}
}

// forget drops an element; the caller holds the lock.
func (c *memory[V]) forget(e *linked.Element) {
	item := c.recent.Remove(e).(*memoryItem[V])
	delete(c.byPlace, item.key)
	c.bytes -= item.value.memory()
}
