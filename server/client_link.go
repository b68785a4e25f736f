package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/google/uuid"
	"google.golang.org/grpc"

	pb "alkalog/proto/alkalogv1"
)

// clientLinkCommand links two clients who are one person. Nothing is moved: each keeps
// its records, and clientUnlinkCommand can end the link again.
//
// A link cannot be done twice by mistake: the second time, the server says that the
// clients are linked. So there is no flag to repeat a request whose result is unknown.
type clientLinkCommand struct {
	clientFlags
	Name  string `arg:"" help:"Resource name of the client: chains/CHAIN/clients/CLIENT."`
	Other string `arg:"" help:"Resource name of the other record of the same person."`
}

// Run links the clients and prints all records of the person.
func (c clientLinkCommand) Run(ctx context.Context, std streams) error {
	chain, err := chainOfClient(c.Name)
	if err == nil {
		_, err = chainOfClient(c.Other)
	}
	if err != nil {
		return err
	}
	return c.with(ctx, std, chain, "manager", func(conn *grpc.ClientConn) error {
		done, err := pb.NewConsultationServiceClient(conn).LinkClients(ctx, &pb.LinkClientsRequest{Name: c.Name, Client: c.Other, RequestId: uuid.NewString()})
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(std.out, "linked: %s is one person with %s\n", c.Name, strings.Join(done.GetClient().GetLinkedClients(), ", "))
		return err
	})
}

// clientUnlinkCommand takes a client out of its link. The others of the link stay linked
// with one another.
type clientUnlinkCommand struct {
	clientFlags
	Name string `arg:"" help:"Resource name of the client that is another person: chains/CHAIN/clients/CLIENT."`
}

// Run takes the client out of its link.
func (c clientUnlinkCommand) Run(ctx context.Context, std streams) error {
	chain, err := chainOfClient(c.Name)
	if err != nil {
		return err
	}
	return c.with(ctx, std, chain, "manager", func(conn *grpc.ClientConn) error {
		if _, err := pb.NewConsultationServiceClient(conn).UnlinkClients(ctx, &pb.UnlinkClientsRequest{Name: c.Name, RequestId: uuid.NewString()}); err != nil {
			return err
		}
		_, err := fmt.Fprintf(std.out, "unlinked: %s is linked with nobody\n", c.Name)
		return err
	})
}
