package faults

import (
	"bytes"
	"encoding/binary"
	"io"
	"net"
	"regexp"
	"sync"
	"testing"
	"time"
)

// proxy forwards TCP connections and breaks them as told. For PostgreSQL it also
// reads the messages, so that a fault can be aimed at one moment of a write
// transaction (PostgreSQL documentation, "Frontend/Backend Protocol"). It works
// without TLS only.
type proxy struct {
	listener net.Listener

	mu       sync.Mutex
	upstream string
	postgres bool
	open     map[*pipe]bool
	refusing bool          // new connections are closed at once
	frozen   chan struct{} // bytes wait until it is closed; nil: they flow
	latency  time.Duration // of each direction
	rate     int           // bytes per second and direction; 0: no limit
	aim      *aim
}

// moment is a moment of a write transaction of a call. Transactions of the
// leader of the logs and read-only ones are none.
type moment string

const (
	beforeBegin  moment = "before BEGIN"
	beforeCommit moment = "before COMMIT"
	afterCommit  moment = "after COMMIT, before the reply"
	// anyStatement is any statement at all, also outside a write of a call.
	anyStatement moment = "a statement"
)

// aim is what to do at the next moments of a kind. The message at the moment and
// all that follow it are lost, and the connection is reset.
type aim struct {
	at   moment
	only string // the chain whose transactions count; empty: all
	skip int    // pass so many first
	left int    // how often
	do   func() // before the connection is reset; nil: nothing
	hit  chan struct{}
}

// newProxy starts a proxy to an address and stops it after the test.
func newProxy(t testing.TB, upstream string, postgres bool) *proxy {
	t.Helper()
	listener, err := net.Listen("tcp", freeAddress(t))
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{listener: listener, upstream: upstream, postgres: postgres, open: map[*pipe]bool{}}
	go p.accept()
	t.Cleanup(func() {
		listener.Close()
		p.heal()
		p.cut()
	})
	return p
}

// addr is where the proxy listens.
func (p *proxy) addr() string { return p.listener.Addr().String() }

// cut resets all connections. New ones are accepted.
func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for pipe := range p.open {
		pipe.reset()
	}
}

// refuse resets all connections and accepts none until heal.
func (p *proxy) refuse() {
	p.mu.Lock()
	p.refusing = true
	p.mu.Unlock()
	p.cut()
}

// freeze is a black hole: connections stay open, and nothing goes through, until
// heal.
func (p *proxy) freeze() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.frozen == nil {
		p.frozen = make(chan struct{})
	}
}

// slow delays every piece of data and limits the rate, until heal.
func (p *proxy) slow(latency time.Duration, bytesPerSecond int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.latency, p.rate = latency, bytesPerSecond
}

// strike aims at a moment. The channel receives a value for each hit.
func (p *proxy) strike(at moment, skip, times int, do func()) <-chan struct{} {
	return p.strikeAt(&aim{at: at, skip: skip, left: times, do: do})
}

// strikeIn aims at the next moment of a chain's transaction.
func (p *proxy) strikeIn(chain string, at moment, do func()) <-chan struct{} {
	return p.strikeAt(&aim{at: at, only: chain, left: 1, do: do})
}

func (p *proxy) strikeAt(a *aim) <-chan struct{} {
	p.mu.Lock()
	defer p.mu.Unlock()
	a.hit = make(chan struct{}, a.left)
	p.aim = a
	return a.hit
}

// skipped is how many moments are still to pass before the next hit.
func (p *proxy) skipped() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.aim.skip
}

// heal ends all faults. Connections that were frozen go on.
func (p *proxy) heal() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.refusing, p.latency, p.rate, p.aim = false, 0, 0, nil
	if p.frozen != nil {
		close(p.frozen)
		p.frozen = nil
	}
}

// accept takes connections until the listener is closed.
func (p *proxy) accept() {
	for {
		near, err := p.listener.Accept()
		if err != nil {
			return
		}
		go p.serve(near.(*net.TCPConn))
	}
}

// serve forwards one connection.
func (p *proxy) serve(near *net.TCPConn) {
	p.mu.Lock()
	refusing, upstream := p.refusing, p.upstream
	p.mu.Unlock()
	if refusing {
		near.SetLinger(0)
		near.Close()
		return
	}
	far, err := net.DialTimeout("tcp", upstream, 5*time.Second)
	if err != nil {
		near.SetLinger(0)
		near.Close()
		return
	}
	c := &pipe{proxy: p, near: near, far: far.(*net.TCPConn), started: !p.postgres}
	p.mu.Lock()
	p.open[c] = true
	p.mu.Unlock()
	var both sync.WaitGroup
	both.Go(func() { c.forward(c.far, c.near, c.request) })
	both.Go(func() { c.forward(c.near, c.far, c.reply) })
	both.Wait()
	near.Close()
	far.Close()
	p.mu.Lock()
	delete(p.open, c)
	p.mu.Unlock()
}

// scopeSetting is how a transaction says which chain it is for.
var scopeSetting = regexp.MustCompile(`alkalog\.chain = '([^']*)'`)

// pipe is one connection through the proxy.
type pipe struct {
	proxy     *proxy
	near, far *net.TCPConn
	started   bool // the client's first message, which has no type, has passed
	asked     messages
	answered  messages

	mu     sync.Mutex
	writes bool   // in a write transaction of a call
	chain  string // of that transaction
}

// reset ends both sides with a TCP reset.
func (c *pipe) reset() {
	c.near.SetLinger(0)
	c.far.SetLinger(0)
	c.near.Close()
	c.far.Close()
}

// forward copies one direction. watch sees the data first, and returns how many
// bytes may pass and whether the connection then ends.
func (c *pipe) forward(to, from *net.TCPConn, watch func([]byte) (int, bool)) {
	buffer := make([]byte, 32<<10)
	for {
		n, err := from.Read(buffer)
		data := buffer[:n]
		pass, ends := n, false
		if c.proxy.postgres {
			pass, ends = watch(data)
		}
		c.proxy.hold(pass)
		if _, writeErr := to.Write(data[:pass]); writeErr != nil || ends {
			c.reset()
			return
		}
		if err == io.EOF {
			to.CloseWrite()
			return
		}
		if err != nil {
			c.reset()
			return
		}
	}
}

// hold applies the freeze, the latency and the rate to a piece of data.
func (p *proxy) hold(bytes int) {
	p.mu.Lock()
	frozen, wait := p.frozen, p.latency
	if p.rate > 0 {
		wait += time.Duration(bytes) * time.Second / time.Duration(p.rate)
	}
	p.mu.Unlock()
	if frozen != nil {
		<-frozen
	}
	if wait > 0 {
		time.Sleep(wait)
	}
}

// request looks at what the client sends.
func (c *pipe) request(data []byte) (int, bool) {
	skip := 0
	if !c.started && len(data) >= 4 { // length and content; a client without TLS sends it at once
		c.started = true
		skip = min(len(data), int(binary.BigEndian.Uint32(data)))
	}
	pass, ends := c.asked.each(data[skip:], func(kind byte, body []byte) bool {
		if kind != 'Q' && kind != 'P' {
			return false
		}
		if c.proxy.hits(anyStatement, "") {
			return true
		}
		text := bytes.ToLower(body)
		if bytes.Contains(text, []byte("begin")) || bytes.Contains(text, []byte("start transaction")) {
			chain := ""
			if found := scopeSetting.FindSubmatch(body); found != nil {
				chain = string(found[1])
			}
			c.setWrites(!bytes.Contains(text, []byte("read only")) && !bytes.Contains(text, []byte("role alkalog_keeper")), chain)
			if c.hitsWrite(beforeBegin) {
				return true
			}
		}
		return bytes.HasPrefix(text, []byte("commit")) && c.hitsWrite(beforeCommit)
	})
	return skip + pass, ends
}

// reply looks at what the server answers: the reply to a COMMIT is a
// CommandComplete that says so, wherever it comes.
func (c *pipe) reply(data []byte) (int, bool) {
	return c.answered.each(data, func(kind byte, body []byte) bool {
		switch {
		case kind == 'C' && bytes.HasPrefix(body, []byte("COMMIT\x00")):
			return c.hitsWrite(afterCommit)
		case kind == 'Z' && bytes.HasPrefix(body, []byte("I")): // ReadyForQuery, idle
			c.setWrites(false, "")
		}
		return false
	})
}

// setWrites notes whether the connection is in a write transaction, and of which chain.
func (c *pipe) setWrites(writes bool, chain string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.writes, c.chain = writes, chain
}

// hitsWrite is hits for a moment of a write transaction.
func (c *pipe) hitsWrite(at moment) bool {
	c.mu.Lock()
	writes, chain := c.writes, c.chain
	c.mu.Unlock()
	return writes && c.proxy.hits(at, chain)
}

// hits reports whether a moment is the one that was aimed at, after it has done
// what the aim says.
func (p *proxy) hits(at moment, chain string) bool {
	p.mu.Lock()
	a := p.aim
	if a == nil || a.at != at || a.left == 0 || a.only != "" && a.only != chain {
		p.mu.Unlock()
		return false
	}
	if a.skip > 0 {
		a.skip--
		p.mu.Unlock()
		return false
	}
	a.left--
	p.mu.Unlock()
	if a.do != nil {
		a.do()
	}
	a.hit <- struct{}{}
	return true
}

// messages splits one direction of a connection into messages, which may come in
// any pieces.
type messages struct {
	head []byte // of a message whose length is not known yet
	body []byte
	left int // bytes of the message that are still to come
}

// keptBody is how much of a message is looked at.
const keptBody = 4096

// each calls at for every message that is complete with data, and returns how
// many bytes of data come before the message for which at returned true.
func (m *messages) each(data []byte, at func(kind byte, body []byte) bool) (int, bool) {
	begin := 0 // of the current message within data; 0 also if it began earlier
	for i := 0; i < len(data); {
		if len(m.head) < 5 {
			if len(m.head) == 0 {
				begin = i
			}
			m.head = append(m.head, data[i])
			if i++; len(m.head) < 5 {
				continue
			}
			m.left, m.body = int(binary.BigEndian.Uint32(m.head[1:]))-4, m.body[:0]
		}
		n := min(m.left, len(data)-i)
		m.body = append(m.body, data[i:i+min(n, max(0, keptBody-len(m.body)))]...)
		m.left -= n
		if i += n; m.left > 0 {
			continue
		}
		kind := m.head[0]
		m.head = m.head[:0]
		if at(kind, m.body) {
			return begin, true
		}
	}
	return len(data), false
}
