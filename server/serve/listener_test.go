package serve

import (
	"net"
	"testing"
)

// TestListenersAreOfTheFamilyOfTheirAddress: 0.0.0.0 is every IPv4 address and no IPv6
// address, which a firewall for IPv4 would not cover.
func TestListenersAreOfTheFamilyOfTheirAddress(t *testing.T) {
	for address, v4 := range map[string]bool{"0.0.0.0:0": true, "127.0.0.1:0": true, "[::]:0": false, ":0": false} {
		listener, err := Config{Address: address}.listener()
		if err != nil {
			t.Errorf("%s: %v", address, err)
			continue
		}
		ip := listener.Addr().(*net.TCPAddr).IP
		if (ip.To4() != nil) != v4 {
			t.Errorf("%s listens on %v", address, ip)
		}
		listener.Close()
	}
}
