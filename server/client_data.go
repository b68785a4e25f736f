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

// clientCommands are about one client's own data.
type clientCommands struct {
	Export clientExportCommand `cmd:"" help:"Write everything that is kept about a client into one JSON file, for the client's own right of access."`
	Erase  clientEraseCommand  `cmd:"" help:"Destroy the key of a client, so that nobody can read anything personal about them again. There is no way back."`
}

// clientExportCommand hands a client's data out.
type clientExportCommand struct {
	clientFlags
	Name string `arg:"" help:"The client: chains/CHAIN/clients/CLIENT."`
	Out  string `required:"" type:"path" placeholder:"FILE.json" help:"Where to write it, readable by you alone. A file that is there is replaced when the new one is whole."`
}

// Run writes the file.
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

// errCutOff says that a file did not come whole.
var errCutOff = errors.New("the file is not whole: its digest is missing or another one; nothing was written, ask again")

// copyParts writes the parts of a file until there are no more, and answers
// errCutOff unless the last one holds the digest of all.
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
		digest = part.GetSha256() // counts in the last part only
		n, err := io.MultiWriter(sum, file).Write(part.GetPart())
		if written += int64(n); err != nil {
			return written, err
		}
	}
}

// moveInPlace writes a file that only its owner can read, and puts it in its place
// when it is whole and on the disk.
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

// clientEraseCommand erases a client.
type clientEraseCommand struct {
	clientFlags
	Name      string `arg:"" help:"The client: chains/CHAIN/clients/CLIENT."`
	Yes       bool   `help:"Do it. Without this nothing is done."`
	RequestID string `placeholder:"UUID" help:"Id of the request, to repeat one whose outcome is not known. Default: a new one."`
}

// Run erases, if it was confirmed.
func (c clientEraseCommand) Run(ctx context.Context, std streams) error {
	chain, err := chainOfClient(c.Name)
	if err != nil {
		return err
	}
	if !c.Yes {
		return usage{fmt.Errorf("this destroys everything personal about %s for ever: consultations, decisions, services, outcomes. The audit log keeps what was refused and overridden, without them. Nothing was done; say --yes to do it", c.Name)}
	}
	if c.RequestID == "" {
		c.RequestID = uuid.NewString()
	}
	return c.with(ctx, std, chain, "manager", func(conn *grpc.ClientConn) error {
		done, err := pb.NewConsultationServiceClient(conn).EraseClient(ctx, &pb.EraseClientRequest{Name: c.Name, RequestId: c.RequestID})
		if client.IsUnavailable(err) {
			return fmt.Errorf("whether it was done is not known; repeat it with --request-id %s: %w", c.RequestID, err)
		}
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(std.out, "erased: %s, %s\n", c.Name, done.GetEraseTime().AsTime().Format(time.RFC3339))
		return err
	})
}

// chainOfClient is the chain of a client's resource name.
func chainOfClient(client string) (string, error) {
	parts := strings.Split(client, "/")
	if len(parts) != 4 || parts[0] != "chains" || parts[2] != "clients" {
		return "", usage{fmt.Errorf("%q is not the name of a client, chains/CHAIN/clients/CLIENT", client)}
	}
	return strings.Join(parts[:2], "/"), nil
}
