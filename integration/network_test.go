package integration

import (
	"net"
	"sync"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// network carries bytes between tills and a server. What it does not carry waits, and its
// connections stay open, as with one that loses packets.
type network struct {
	listener net.Listener
	mu       sync.Mutex
	changed  *sync.Cond
	to       string
	carries  carried
}

// carried is what a network carries.
type carried int

const (
	everything   carried = iota
	onlyRequests         // the server does what it is asked, and no answer arrives
	nothing
)

func newNetwork(t testing.TB) *network {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	n := &network{listener: listener}
	n.changed = sync.NewCond(&n.mu)
	t.Cleanup(func() { listener.Close(); n.set(everything) })
	go func() {
		for {
			till, err := listener.Accept()
			if err != nil {
				return
			}
			go n.carry(till)
		}
	}()
	return n
}

// address is where tills connect to.
func (n *network) address() string { return n.listener.Addr().String() }

// lead says where the server is.
func (n *network) lead(to string) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.to = to
}

// set says what the network carries from now on.
func (n *network) set(carries carried) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.carries = carries
	n.changed.Broadcast()
}

// wait waits until the network carries at most so little, and returns the server's address.
func (n *network) wait(most carried) string {
	n.mu.Lock()
	defer n.mu.Unlock()
	for n.carries > most {
		n.changed.Wait()
	}
	return n.to
}

// carry carries one connection until an end of it closes.
func (n *network) carry(till net.Conn) {
	defer till.Close()
	server, err := net.Dial("tcp", n.wait(onlyRequests))
	if err != nil {
		return
	}
	defer server.Close()
	ended := make(chan struct{}, 2)
	for i, way := range [][2]net.Conn{{till, server}, {server, till}} {
		most := []carried{onlyRequests, everything}[i]
		go func() {
			defer func() { ended <- struct{}{} }()
			for buffer := make([]byte, 16<<10); ; {
				got, err := way[0].Read(buffer)
				n.wait(most)
				if _, failed := way[1].Write(buffer[:got]); err != nil || failed != nil {
					return
				}
			}
		}()
	}
	<-ended
}

// factOf is the fact of an event.
func factOf(e *pb.Event) protoreflect.FieldDescriptor {
	return e.ProtoReflect().WhichOneof(e.ProtoReflect().Descriptor().Oneofs().ByName("fact"))
}
