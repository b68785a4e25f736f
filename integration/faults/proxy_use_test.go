package faults

import (
	"testing"
	"time"
)

// TestProxyHitsTheMoment kills a server at each moment of a write transaction, and
// looks whether the database has the write: a fault that is aimed wrongly would
// show nothing.
func TestProxyHitsTheMoment(t *testing.T) {
	pg := startPostgres(t)
	wire := newProxy(t, pg.addr(), true)
	s := startServer(t, serverConfig{Database: dsnAt("alkalog_server", wire.addr())})
	p := newProbe(t, s.cfg.Address)
	p.untilWritten(t, 10*time.Second)
	for _, try := range []struct {
		at   moment
		rows int64 // when the server is dead
	}{{beforeBegin, 0}, {beforeCommit, 0}, {afterCommit, 1}} {
		req := newChain()
		rows := func() int64 { return pg.number("select count(*) from chains where chain = $1", req.ChainId) }
		hit := wire.strikeIn(req.ChainId, try.at, s.kill)
		if err := p.send(req, 10*time.Second); err == nil {
			t.Errorf("%s: acknowledged by a server that was killed", try.at)
		}
		<-hit
		if got := rows(); got != try.rows {
			t.Errorf("%s: %d rows, want %d", try.at, got, try.rows)
		}
		s.start()
		if err := p.send(req, 10*time.Second); err != nil {
			t.Errorf("%s: the retry: %v; %s", try.at, err, s.log())
		}
		if got := rows(); got != 1 {
			t.Errorf("%s: after the retry %d rows", try.at, got)
		}
	}
	req := newChain()
	hit := wire.strikeIn(req.ChainId, afterCommit, nil)
	if err := p.send(req, 10*time.Second); err != nil || len(hit) != 1 {
		t.Errorf("a lost reply: %v, %d were lost", err, len(hit))
	}
}
