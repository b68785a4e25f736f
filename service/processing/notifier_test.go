package processing

import (
	"context"
	"sync"
	"testing"
	"time"

	"alkalog/storage/storagetest"
)

const (
	here  = "chains/ebb/clients/c/sessions/one"
	there = "chains/ebb/clients/c/sessions/two"
)

// hasNews takes a watcher's news, if there are any.
func hasNews(w *watcher) bool {
	select {
	case <-w.news:
		return true
	default:
		return false
	}
}

func TestHubWakesTheWatchersOfASession(t *testing.T) {
	t.Parallel()
	hub := NewNotifier()
	first, leaveFirst := hub.watch(here)
	second, leaveSecond := hub.watch(here)
	other, leaveOther := hub.watch(there)
	defer leaveOther()
	for range 3 { // nobody takes the news, and nobody waits for that
		hub.Changed(here)
	}
	if !hasNews(first) || !hasNews(second) || hasNews(first) || hasNews(other) {
		t.Error("news of a session wake its watchers, once, and no others")
	}
	hub.wake("")
	if !hasNews(first) || !hasNews(other) {
		t.Error("news of unknown sessions wake everybody")
	}
	leaveFirst()
	hub.Changed(here)
	if hasNews(first) || !hasNews(second) {
		t.Error("who has left is woken no more, who stays is")
	}
	leaveSecond()
	if len(hub.watchers) != 1 {
		t.Errorf("sessions that nobody watches are kept: %v", hub.watchers)
	}
}

func TestHubFindsWhatAWatcherHasMissed(t *testing.T) {
	t.Parallel()
	hub := NewNotifier()
	behind, leaveBehind := hub.watch(here)
	defer leaveBehind()
	upToDate, leaveUpToDate := hub.watch(here)
	defer leaveUpToDate()
	hub.saw(behind, 3)
	hub.saw(upToDate, 4)
	hub.compare(here, 4)
	hub.compare(there, 9)
	if !hasNews(behind) || hasNews(upToDate) {
		t.Error("only who has seen less is woken")
	}
	if names := hub.watched()["ebb"]; len(names) != 1 || names[0] != here {
		t.Errorf("watched is %v", names)
	}
}

// TestHubsTellOneAnother: what one server announces, another's watchers hear.
func TestHubsTellOneAnother(t *testing.T) {
	t.Parallel()
	db := storagetest.New(t)
	ctx, cancel := context.WithCancel(t.Context())
	one, two := NewNotifier(), NewNotifier()
	var hubs sync.WaitGroup
	for _, hub := range []*Notifier{one, two} {
		hubs.Go(func() { hub.Run(ctx, db) })
	}
	defer hubs.Wait()
	defer cancel()
	w, leave := two.watch(here)
	defer leave()
	for heard := false; !heard; { // what is announced before the other listens is lost
		one.Changed(here)
		select {
		case <-w.news:
			heard = true
		case <-time.After(2 * announceEvery):
		case <-t.Context().Done():
			t.Fatal("nothing is heard")
		}
	}
}
