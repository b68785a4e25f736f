package main

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/grpc/health/grpc_health_v1"

	"alkalog/server/client"
)

// healthcheckCommand asks a running server for its health, for the probes of a
// process supervisor. The exit code is 0 if it is serving, and 1 if it is not or
// does not answer. It exists so that an image without other tools can probe
// itself. Liveness decides about a restart, readiness about traffic: restarting
// does not cure a database that is down.
//
// It needs no identity for the health of the server. The health of a chain is
// told to its members and to operators only.
type healthcheckCommand struct {
	Service   string        `arg:"" optional:"" default:"readiness" help:"Service to check: liveness, readiness or alkalog.clock; members of a chain and operators can also check chains/CHAIN and chains/CHAIN/log."`
	Address   string        `env:"ALKALOG_CLIENT_ADDRESS" default:"${address}" placeholder:"HOST:PORT" help:"Host and port of the server. Plaintext on loopback unless --ca-file is given; TLS otherwise."`
	CAFile    string        `name:"ca-file" env:"ALKALOG_CLIENT_CA_FILE" type:"path" placeholder:"FILE" help:"File with the CA certificates (PEM) that the server's certificate must chain to. Default: the system's CA certificates."`
	TokenFile string        `env:"ALKALOG_CLIENT_TOKEN_FILE" type:"path" placeholder:"FILE" help:"File with your token, to check a chain, readable only by you."`
	Identity  string        `env:"ALKALOG_CLIENT_IDENTITY" placeholder:"'role=ROLE name=NAME'" help:"Development identity, to check a chain of a loopback server that accepts them."`
	Timeout   time.Duration `default:"5s" help:"How long to wait for the answer, such as 3s."`
}

// Run makes one health check. The status is printed; the error names the service
// and the address. It waits for the answer for --timeout at most.
func (c healthcheckCommand) Run(ctx context.Context, std streams) error {
	target := client.Target{Address: c.Address, CAFile: c.CAFile, TokenFile: c.TokenFile, Identity: c.Identity, Timeout: c.Timeout}
	conn, err := target.Open()
	if err != nil {
		return err
	}
	defer conn.Close()
	answer, err := grpc_health_v1.NewHealthClient(conn).Check(ctx, &grpc_health_v1.HealthCheckRequest{Service: c.Service})
	if err != nil {
		return fmt.Errorf("%s of %s: %w", c.Service, c.Address, err)
	}
	fmt.Fprintln(std.out, answer.GetStatus())
	if answer.GetStatus() != grpc_health_v1.HealthCheckResponse_SERVING {
		return fmt.Errorf("%s of %s: %v", c.Service, c.Address, answer.GetStatus())
	}
	return nil
}
