package cluster

import (
	"net"
	"sync"
	"testing"
)

// proxy passes TCP connections on to one address, and can be told not to. It stands for
// the network between two machines.
type proxy struct {
	listener net.Listener
	target   string

	mu sync.Mutex
	// open is closed while bytes pass; a cut replaces it.
	open  chan struct{}
	conns map[net.Conn]bool
}

// newProxy starts a proxy to an address.
func newProxy(t testing.TB, target string) *proxy {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{listener: listener, target: target, open: make(chan struct{}), conns: map[net.Conn]bool{}}
	close(p.open)
	go p.accept()
	t.Cleanup(func() {
		listener.Close()
		p.heal()
		p.reset()
	})
	return p
}

// address is where the proxy listens.
func (p *proxy) address() string { return p.listener.Addr().String() }

// cut holds back every byte in both directions, as a network does that has lost a cable:
// nobody is told. Connections that are made meanwhile wait.
func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	select {
	case <-p.open:
		p.open = make(chan struct{})
	default: // it is cut already
	}
}

// heal lets bytes pass again, also those that were held back.
func (p *proxy) heal() {
	p.mu.Lock()
	defer p.mu.Unlock()
	select {
	case <-p.open:
	default:
		close(p.open)
	}
}

// reset closes all connections.
func (p *proxy) reset() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for c := range p.conns {
		c.Close()
	}
}

// pass waits until bytes pass.
func (p *proxy) pass() {
	p.mu.Lock()
	open := p.open
	p.mu.Unlock()
	<-open
}

func (p *proxy) accept() {
	for {
		near, err := p.listener.Accept()
		if err != nil {
			return
		}
		go p.serve(near)
	}
}

// serve connects one caller.
func (p *proxy) serve(near net.Conn) {
	p.keep(near)
	defer p.forget(near)
	p.pass()
	far, err := net.Dial("tcp", p.target)
	if err != nil {
		return
	}
	p.keep(far)
	defer p.forget(far)
	var both sync.WaitGroup
	both.Go(func() { p.copy(far, near) })
	both.Go(func() { p.copy(near, far) })
	both.Wait()
}

// copy passes bytes on in one direction until one side ends.
func (p *proxy) copy(to, from net.Conn) {
	defer to.Close()
	defer from.Close()
	buffer := make([]byte, 32<<10)
	for {
		n, err := from.Read(buffer)
		p.pass()
		if n > 0 {
			if _, err := to.Write(buffer[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

func (p *proxy) keep(c net.Conn) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.conns[c] = true
}

func (p *proxy) forget(c net.Conn) {
	c.Close()
	p.mu.Lock()
	defer p.mu.Unlock()
	delete(p.conns, c)
}
