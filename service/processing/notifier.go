package processing

import (
	"context"
	"sync"
	"time"

	"alkalog/service/record"
	"alkalog/storage"
)

// Notifier brings watchers the news that a session has new events: at once from this
// server, as a hint from other servers on the same database, and by looking, for
// hints that were lost. It holds no state of a session; a watcher reads that. So news may
// be early, doubled or about nothing, and costs a read at the worst; only missing news
// would do harm, and the look every second bounds how long it can be missing. It is safe
// for concurrent use.
type Notifier struct {
	mu       sync.Mutex
	watchers map[string]map[*watcher]bool
	topics   map[string]string // sessions with watchers, by what is announced of them
	changed  map[string]bool   // to be announced to other servers
	nudge    chan struct{}

	// Others, if set, gets what other servers announce that is not about a watched session;
	// an empty topic means that announcements may have been lost. Set it before Run.
	Others func(topic string)
}

// watcher is one stream.
type watcher struct {
	news chan struct{} // one place: news that was not taken yet will do
	seen int64         // sequence last seen; guarded by the notifier
}

// NewNotifier returns a notifier without watchers.
func NewNotifier() *Notifier {
	return &Notifier{watchers: map[string]map[*watcher]bool{}, topics: map[string]string{}, changed: map[string]bool{}, nudge: make(chan struct{}, 1)}
}

// Changed says that events of a session were committed here. It never waits.
func (h *Notifier) Changed(session string) {
	h.wake(session)
	h.mu.Lock()
	h.changed[session] = true
	h.mu.Unlock()
	offer(h.nudge)
}

// wake wakes the watchers of a session here; of all sessions for an empty name.
// Writers call it, so that it does not look at sessions that have no news.
func (h *Notifier) wake(session string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for w := range h.watchers[session] {
		offer(w.news)
	}
	if session != "" {
		return
	}
	for _, watchers := range h.watchers {
		for w := range watchers {
			offer(w.news)
		}
	}
}

// hear wakes the watchers of a session that another server announces by its topic;
// of all sessions for an empty one.
func (h *Notifier) hear(topic string) {
	h.mu.Lock()
	session, watched := h.topics[topic]
	h.mu.Unlock()
	if watched || topic == "" {
		h.wake(session)
	}
	if !watched && h.Others != nil {
		h.Others(topic)
	}
}

// offer puts a token into a channel unless one is there. It never blocks, so that a commit
// waits for no watcher.
func offer(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// watch registers a watcher; leave ends it. The last watcher of a session takes the
// session's entries with it, so the maps hold what is watched and nothing else.
func (h *Notifier) watch(session string) (w *watcher, leave func()) {
	w = &watcher{news: make(chan struct{}, 1)}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.watchers[session] == nil {
		h.watchers[session] = map[*watcher]bool{}
		h.topics[storage.Topic(session)] = session
	}
	h.watchers[session][w] = true
	return w, func() {
		h.mu.Lock()
		defer h.mu.Unlock()
		delete(h.watchers[session], w)
		if len(h.watchers[session]) == 0 {
			delete(h.watchers, session)
			delete(h.topics, storage.Topic(session))
		}
	}
}

// saw notes how far a watcher has seen.
// It must be noted before the state is sent, see WatchSession.
func (h *Notifier) saw(w *watcher, sequence int64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	w.seen = sequence
}

const (
	// announceEvery gathers changes into one announcement, well within the 250 ms
	// in which every watcher has the call to rinse.
	announceEvery = 50 * time.Millisecond
	// lookEvery is how often the notifier looks for events whose hint was lost.
	lookEvery = time.Second
	// retryAfter is the pause after the database did not answer.
	retryAfter = time.Second
)

// Run carries news between servers until ctx is done. An error of the database ends
// nothing: what could not be announced or heard is found by looking.
func (h *Notifier) Run(ctx context.Context, db *storage.DB) {
	var all sync.WaitGroup
	all.Go(func() { h.announce(ctx, db) })
	all.Go(func() { h.listen(ctx, db) })
	all.Go(func() { h.look(ctx, db) })
	all.Wait()
}

// announce tells other servers, a batch at a time. What it fails to tell, they
// find by looking.
// After the first change it waits a little, so that a batch of events costs one
// announcement.
func (h *Notifier) announce(ctx context.Context, db *storage.DB) {
	for wait(ctx, h.nudge, 0) {
		if !wait(ctx, nil, announceEvery) {
			return
		}
		h.mu.Lock()
		names := make([]string, 0, len(h.changed))
		for name := range h.changed {
			names = append(names, name)
		}
		clear(h.changed)
		h.mu.Unlock()
		_ = storage.Announce(ctx, db, names)
	}
}

// listen wakes watchers of what other servers announce.
// When listening ends, it begins again after a pause.
func (h *Notifier) listen(ctx context.Context, db *storage.DB) {
	for {
		_ = storage.Listen(ctx, db, h.hear)
		if !wait(ctx, nil, retryAfter) {
			return
		}
	}
}

// look wakes watchers of sessions that have more events than they have seen.
// Only sessions that are watched are looked at, in one query for each chain.
func (h *Notifier) look(ctx context.Context, db *storage.DB) {
	for wait(ctx, nil, lookEvery) {
		for chain, names := range h.watched() {
			_ = storage.Read(ctx, db, chain, func(r *storage.Snapshot) error {
				sequences, err := storage.Sequences(r, names)
				for _, name := range names {
					if sequence, there := sequences[name]; there {
						h.compare(name, sequence)
					} else if err == nil {
						h.wake(name) // to find that it is gone
					}
				}
				return err
			})
		}
	}
}

// watched is the names of the sessions watched, by the id of their chain.
func (h *Notifier) watched() map[string][]string {
	h.mu.Lock()
	defer h.mu.Unlock()
	names := map[string][]string{}
	for name := range h.watchers {
		names[record.Chain(name)] = append(names[record.Chain(name)], name)
	}
	return names
}

// compare wakes the watchers of a session that have seen less.
func (h *Notifier) compare(session string, sequence int64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for w := range h.watchers[session] {
		if w.seen < sequence {
			offer(w.news)
		}
	}
}

// wait waits for the channel, or for a time when there is none, and reports
// false when ctx is done.
func wait(ctx context.Context, c <-chan struct{}, d time.Duration) bool {
	if c != nil {
		select {
		case <-ctx.Done():
			return false
		case <-c:
			return true
		}
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-timer.C:
		return true
	}
}
