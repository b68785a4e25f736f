package main

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/grpc/health/grpc_health_v1"

	"alkalog/server/client"
)

// healthcheckCommand asks a running server how it is, for the probes of whatever
// keeps it running: exit code 0 when it is serving, 1 when not or when nobody answers.
type healthcheckCommand struct {
	Service   string        `arg:"" optional:"" default:"readiness" help:"What to ask for: liveness, readiness, alkalog.clock, or for members of a chain and operators chains/CHAIN or chains/CHAIN/log."`
	Address   string        `env:"ALKALOG_CLIENT_ADDRESS" default:"${address}" placeholder:"HOST:PORT" help:"The server to ask. In the clear on loopback, unless --ca-file is given; by TLS everywhere else."`
	CAFile    string        `name:"ca-file" env:"ALKALOG_CLIENT_CA_FILE" type:"path" placeholder:"FILE" help:"Certificates (PEM) of whoever vouches for the server. Default: those that this machine trusts."`
	TokenFile string        `env:"ALKALOG_CLIENT_TOKEN_FILE" type:"path" placeholder:"FILE" help:"Your token, to ask for a chain, in a file readable by you alone."`
	Identity  string        `env:"ALKALOG_CLIENT_IDENTITY" placeholder:"'role=ROLE name=NAME'" help:"Development identity, to ask for a chain of a server on loopback that believes callers."`
	Timeout   time.Duration `default:"5s" help:"How long to wait for the answer."`
}

// Run asks once.
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
