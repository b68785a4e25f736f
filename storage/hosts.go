package storage

import (
	"context"
	"database/sql/driver"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/lib/pq"
)

// A connection string can name several hosts, of which one is the primary. Which one
// that is changes when a standby is promoted, and the old primary may live on. So a host
// is never believed because it comes first: the fence decides who is newest.

const (
	// headStart is how long a host may take to accept a connection before the next one is
	// asked as well. A host that answers nothing delays a connection by no more than that.
	// Our own choice.
	headStart = 300 * time.Millisecond
	// surveyTime bounds a survey of all hosts. Our own choice.
	surveyTime = 3 * time.Second
	// slowCommit is how long a COMMIT may take before all hosts are asked whether another
	// one has become the primary. Our own choice: a healthy standby answers within
	// milliseconds.
	slowCommit = 2 * time.Second
)

// hostsOf splits a configuration with several hosts into one per host. lib/pq would
// accept the first host that answers, even if the fence refuses that one. The fence
// admits nothing but a primary, so target_session_attrs has nothing left to choose.
func hostsOf(base pq.Config) ([]pq.Config, error) {
	switch base.TargetSessionAttrs {
	case pq.TargetSessionAttrsReadOnly, pq.TargetSessionAttrsStandby, pq.TargetSessionAttrsPreferStandby:
		return nil, fmt.Errorf("storage: connection string: target_session_attrs is %s, and only a primary can be written to: use read-write, or leave it out", base.TargetSessionAttrs)
	}
	base.TargetSessionAttrs = pq.TargetSessionAttrsAny
	others := base.Multi
	base.Multi = nil
	hosts := []pq.Config{base}
	for _, other := range others {
		host := base.Clone()
		host.Host, host.Hostaddr, host.Port = other.Host, other.Hostaddr, other.Port
		hosts = append(hosts, host)
	}
	if base.LoadBalanceHosts == pq.LoadBalanceHostsRandom {
		rand.Shuffle(len(hosts), func(i, j int) { hosts[i], hosts[j] = hosts[j], hosts[i] })
	}
	return hosts, nil
}

// Connect implements driver.Connector: it returns a connection to a host that the fence
// admits, or the errors of all hosts. The host of the last connection is asked first.
// The next one is asked when the one before has failed or has used up its head start,
// and the first connection wins.
func (c *connector) Connect(ctx context.Context) (driver.Conn, error) {
	if len(c.hosts) == 1 {
		return c.connect(ctx, c.hosts[0])
	}
	first := int(c.last.Load())
	asking, cancel := context.WithCancel(ctx)
	defer cancel()
	type answer struct {
		host int
		conn driver.Conn
		err  error
	}
	answers := make(chan answer, len(c.hosts))
	asked := 0
	next := time.NewTimer(0)
	defer next.Stop()
	var problems []error
	for len(problems) < len(c.hosts) {
		select {
		case <-next.C:
			if asked == len(c.hosts) {
				continue
			}
			host := (first + asked) % len(c.hosts)
			go func() {
				conn, err := c.connect(asking, c.hosts[host])
				answers <- answer{host, conn, err}
			}()
			asked++
			next.Reset(headStart)
		case a := <-answers:
			if a.err != nil {
				problems = append(problems, a.err)
				next.Reset(0)
				continue
			}
			c.last.Store(int32(a.host))
			late := asked - len(problems) - 1
			go func() { // the context of these is over
				for range late {
					if a := <-answers; a.conn != nil {
						a.conn.Close()
					}
				}
			}()
			return a.conn, nil
		}
	}
	return nil, errors.Join(problems...)
}

// survey asks every host who it is, and so shows the fence the newest primary; whose
// connections to older ones are then cut. It does nothing while another survey runs.
func (c *connector) survey() {
	if !c.surveying.CompareAndSwap(false, true) {
		return
	}
	defer c.surveying.Store(false)
	ctx, cancel := context.WithTimeout(context.Background(), surveyTime)
	defer cancel()
	done := make(chan struct{}, len(c.hosts))
	for _, host := range c.hosts {
		go func() {
			if conn, err := c.connect(ctx, host); err == nil {
				conn.Close()
			}
			done <- struct{}{}
		}()
	}
	for range c.hosts {
		<-done
	}
}

// surveyUntil repeats the survey until a COMMIT has ended. A primary that was replaced
// and lives on waits for a standby that does not follow it any more, and would hold its
// callers for ever. What became of the COMMIT stays unknown until its request ID is
// looked up on the new primary.
func (c *connector) surveyUntil(ended <-chan struct{}) {
	pause := time.NewTimer(0)
	defer pause.Stop()
	for {
		select {
		case <-ended:
			return
		case <-pause.C:
			c.survey()
			pause.Reset(slowCommit)
		}
	}
}
