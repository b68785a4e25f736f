package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"google.golang.org/grpc"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/report"
	"alkalog/server/verify"
	"alkalog/service/ledger"
)

// auditProveCommand gets the inclusion proof of an entry. A proof is some
// kilobytes and convinces somebody who has the log's keys and nothing else of the
// log.
//
// It is for somebody who must show one entry to a third party and must not show the
// others. What the log holds beside it cannot be learned from the hashes.
//
// The file has the format of C2SP tlog-proof: index, entry, hashes and the signed
// checkpoint, as text.
type auditProveCommand struct {
	clientFlags
	Entry string `arg:"" help:"Resource name of the entry: chains/CHAIN/entries/ENTRY."`
	Out   string `required:"" type:"path" placeholder:"FILE.tlog-proof" help:"File for the proof (c2sp.org/tlog-proof), which contains the entry."`
}

// Run requests the proof, checks it and writes it to the file. It writes no file
// unless the proof is valid.
func (c auditProveCommand) Run(ctx context.Context, std streams) error {
	chain, id, found := strings.Cut(c.Entry, "/entries/")
	if !found || id == "" {
		return usage{fmt.Errorf("%q is not the name of an entry: want chains/CHAIN/entries/ENTRY", c.Entry)}
	}
	var proof verify.Proof
	var keys []string
	err := c.with(ctx, std, chain, "auditor", func(conn *grpc.ClientConn) (err error) {
		proof, keys, err = proofOf(ctx, pb.NewAuditServiceClient(conn), chain, c.Entry)
		return err
	})
	if err != nil {
		return err
	}
	if err := writeProof(std.out, proof, keys); err != nil {
		return err
	}
	return moveInPlace(c.Out, func(file io.Writer) error { _, err := file.Write(proof.Text()); return err })
}

// proofOf requests the proof of an entry and the keys of the log. The keys come
// from the same server and show only that the two fit; check-proof takes them
// from elsewhere. A hash of another length is an error of the server.
func proofOf(ctx context.Context, client pb.AuditServiceClient, chain, entry string) (verify.Proof, []string, error) {
	answer, err := client.GetInclusionProof(ctx, &pb.GetInclusionProofRequest{Name: entry})
	if err != nil {
		return verify.Proof{}, nil, err
	}
	head, err := client.GetCheckpoint(ctx, &pb.GetCheckpointRequest{Name: chain})
	if err != nil {
		return verify.Proof{}, nil, err
	}
	proof := verify.Proof{Index: answer.GetIndex(), Stored: answer.GetStored(), Checkpoint: []byte(answer.GetCheckpoint())}
	for _, h := range answer.GetHashes() {
		if len(h) != len(ledger.Hash{}) {
			return proof, nil, errors.New("the server sent a proof with invalid hashes")
		}
		proof.Hashes = append(proof.Hashes, ledger.Hash(h))
	}
	return proof, head.GetKeys(), nil
}

// writeProof checks a proof and writes what it proves. A proof that proves
// nothing is a failed verification, not an error.
func writeProof(out io.Writer, proof verify.Proof, keys []string) error {
	entry, head, err := proof.Check(keys)
	if errors.Is(err, verify.ErrNotProved) {
		return verificationFailed{err}
	}
	if err != nil {
		return err
	}
	_, err = io.WriteString(out, report.Visible(fmt.Sprintf("PROVED  entry %d of the %d on %s: %s", proof.Index, head.Size, head.Origin, entry.GetName()))+"\n"+
		report.Visible(fmt.Sprintf("  %s %s: %s", timeText(entry.GetRecordTime()), kindText(entry.GetKind().String()), entry.GetSummary()))+"\n")
	return err
}

// auditCheckProofCommand checks a proof from a file. It calls no server.
type auditCheckProofCommand struct {
	Proof string `arg:"" type:"path" help:"The proof, as \"alkalog audit prove\" wrote it."`
	Entry string `type:"path" placeholder:"FILE" help:"File with the stored bytes of the entry, for a proof that does not contain it."`
	Keys  string `required:"" type:"path" placeholder:"FILE" help:"File with the public keys of the log, one a line, such as the file keys of a copy. Get it from a different source than the proof."`
}

// Run checks the proof offline. The entry is in the proof file unless somebody
// removed it, to keep it confidential.
func (c auditCheckProofCommand) Run(std streams) error {
	text, err := os.ReadFile(c.Proof)
	if err != nil {
		return err
	}
	keys, err := os.ReadFile(c.Keys)
	if err != nil {
		return err
	}
	proof, err := verify.ParseProof(text)
	if err != nil {
		return err
	}
	if c.Entry != "" {
		if proof.Stored, err = os.ReadFile(c.Entry); err != nil {
			return err
		}
	}
	if proof.Stored == nil {
		return fmt.Errorf("%s proves the entry with index %d but does not contain it (there is no line \"extra\"): give the entry with --entry", c.Proof, proof.Index)
	}
	return writeProof(std.out, proof, strings.Fields(string(keys)))
}
