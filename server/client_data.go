package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/client"
)

// clientCommands groups the commands about one client's data. A manager may use
// them: for the two rights of a client that a salon has to answer, access
// and erasure, and to link a client that was entered twice.
type clientCommands struct {
	Export clientExportCommand `cmd:"" help:"Export everything that is stored about a client to one JSON file, for example for a subject access request."`
	Erase  clientEraseCommand  `cmd:"" help:"Destroy a client's key, so that the client's personal data can never be read again. This cannot be undone."`
	Link   clientLinkCommand   `cmd:"" help:"Record that two clients are one person who was entered twice: decisions use the history of both."`
	Unlink clientUnlinkCommand `cmd:"" help:"Take a client out of its link, because it is another person."`
}

// clientExportCommand exports a client's data. The file is personal data in
// clear.
//
// It holds what is stored about the client in all salons of the chain.
type clientExportCommand struct {
	clientFlags
	Name string `arg:"" help:"Resource name of the client: chains/CHAIN/clients/CLIENT."`
	Out  string `required:"" type:"path" placeholder:"FILE.json" help:"Output file, readable only by you. An existing file is replaced once the new one is complete."`
}

// Run writes the file. The server sends the file in parts, with a digest at the
// end. A file that was not received completely is not kept.
func (c clientExportCommand) Run(ctx context.Context, std streams) error {
	chain, err := chainOfClient(c.Name)
	if err != nil {
		return err
	}
	written := int64(0)
	err = c.with(ctx, std, chain, "manager", func(conn *grpc.ClientConn) error {
		parts, err := pb.NewConsultationServiceClient(conn).ExportClient(ctx, &pb.ExportClientRequest{Name: c.Name})
		if err != nil {
			return err
		}
		return moveInPlace(c.Out, func(file io.Writer) error {
			written, err = copyParts(file, parts)
			return err
		})
	})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(std.out, "written: %s, %d bytes\n", c.Out, written)
	return err
}

// errCutOff means that a file was not received completely.
var errCutOff = errors.New("the export is incomplete: its digest is missing or does not match; nothing was written, try again")

// copyParts writes the parts to a file and returns the number of bytes. It returns
// errCutOff unless the last part has the digest of all of them: a connection that
// ends early looks like the end of the file otherwise.
func copyParts(file io.Writer, parts interface {
	Recv() (*pb.ExportClientResponse, error)
}) (written int64, err error) {
	sum := sha256.New()
	var digest []byte
	for {
		part, err := parts.Recv()
		if errors.Is(err, io.EOF) {
			if !bytes.Equal(digest, sum.Sum(nil)) {
				return written, errCutOff
			}
			return written, nil
		}
		if err != nil {
			return written, err
		}
		digest = part.GetSha256() // only the last part has counts
		n, err := io.MultiWriter(sum, file).Write(part.GetPart())
		if written += int64(n); err != nil {
			return written, err
		}
	}
}

// moveInPlace writes a file that only its owner can read to a temporary name,
// syncs it and renames it. A reader never sees a part of the file, and after a
// crash there is the old file or the new one. A failure removes the temporary
// file.
func moveInPlace(path string, write func(io.Writer) error) error {
	part, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".part-")
	if err != nil {
		return err
	}
	err = write(part)
	if err == nil {
		err = part.Sync()
	}
	if err = errors.Join(err, part.Close()); err == nil {
		err = os.Rename(part.Name(), path)
	}
	if err != nil {
		os.Remove(part.Name())
	}
	return err
}

// clientEraseCommand erases a client. It destroys a key and no record: what is
// sealed with the key is unreadable from then on, also in backups.
//
// The audit log keeps its entries, which hold the client's pseudonym and no
// personal data, and gets one for the erasure. A request ID can be given, because
// the result of a broken connection is unknown: the same ID is answered again and
// done once.
type clientEraseCommand struct {
	clientFlags
	Name      string `arg:"" help:"Resource name of the client: chains/CHAIN/clients/CLIENT."`
	Yes       bool   `help:"Confirm the erasure. Without this flag nothing is done."`
	RequestID string `placeholder:"UUID" help:"Request ID (UUID), to repeat a request whose result is unknown. Default: a new one."`
}

// Run erases the client if --yes was given. Without --yes it prints what would be
// lost. If the result is unknown, the error says how to repeat the request
// without doing it twice.
func (c clientEraseCommand) Run(ctx context.Context, std streams) error {
	chain, err := chainOfClient(c.Name)
	if err != nil {
		return err
	}
	if !c.Yes {
		return usage{fmt.Errorf("this destroys all personal data of %s permanently, and of the clients linked with it: consultations, decisions, services, outcomes. The audit log keeps the refusals and overrides without them. Nothing was done; confirm with --yes", c.Name)}
	}
	if c.RequestID == "" {
		c.RequestID = uuid.NewString()
	}
	return c.with(ctx, std, chain, "manager", func(conn *grpc.ClientConn) error {
		done, err := pb.NewConsultationServiceClient(conn).EraseClient(ctx, &pb.EraseClientRequest{Name: c.Name, RequestId: c.RequestID})
		if client.IsUnavailable(err) {
			return fmt.Errorf("the result is unknown; repeat the command with --request-id %s: %w", c.RequestID, err)
		}
		if err != nil {
			return err
		}
		for _, name := range done.GetClients() {
			if _, err = fmt.Fprintf(std.out, "erased: %s, %s\n", name, done.GetEraseTime().AsTime().Format(time.RFC3339)); err != nil {
				return err
			}
		}
		return nil
	})
}

// chainOfClient returns the chain in the resource name of a client. A wrong name
// is an error of usage, before anything is called. The chain is needed for the
// default identity.
func chainOfClient(client string) (string, error) {
	parts := strings.Split(client, "/")
	if len(parts) != 4 || parts[0] != "chains" || parts[2] != "clients" {
		return "", usage{fmt.Errorf("%q is not the name of a client: want chains/CHAIN/clients/CLIENT", client)}
	}
	return strings.Join(parts[:2], "/"), nil
}
