package faults

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/transparency-dev/merkle/proof"
	"github.com/transparency-dev/merkle/rfc6962"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// head is what a checkpoint says of a log.
type head struct {
	size int64
	root []byte
}

// parseHead reads size and root from a checkpoint (c2sp.org/tlog-checkpoint: origin,
// size and root on a line each). The signature is checked by the command that verifies
// the export.
func parseHead(checkpoint string) (*head, error) {
	lines := strings.SplitN(checkpoint, "\n", 4)
	if len(lines) < 4 {
		return nil, errors.New("the checkpoint has fewer than three lines")
	}
	size, err := strconv.ParseInt(lines[1], 10, 64)
	root, err2 := base64.StdEncoding.DecodeString(lines[2])
	return &head{size, root}, errors.Join(err, err2)
}

// readLimit bounds a stream that a worker reads. Our own choice: several times what
// the messages that it waits for need.
const readLimit = 2 * time.Second

// auditor looks at the log as an auditor's program does: it takes a checkpoint, has it
// proven that the log continues from the one before and that an entry is on it, lists
// entries, has a decision replayed, and copies a part of the log.
func (w *worker) auditor() {
	if w.one(2) {
		w.checkpoint()
	}
	if w.one(4) {
		w.receipt()
	}
	if w.one(6) {
		w.export()
	}
	if w.one(6) {
		w.do(w.vesna, &pb.ListEntriesRequest{Parent: w.shop.name, PageSize: 5})
	}
}

// lookUp reads what a salon reads while it works: the client and what was decided, the
// card, the open sessions, the directory. A stored decision must replay.
func (w *worker) lookUp(client, decision string) {
	reads := []setting{
		{w.till, &pb.GetClientRequest{Name: client}},
		{w.amara, &pb.GetDecisionRequest{Name: decision}},
		{w.imara, &pb.ReplayDecisionRequest{Name: decision}},
		{w.amara, &pb.GetRecordCardRequest{Name: client}},
		{w.amara, &pb.ListSessionsRequest{Parent: client}},
		{w.imara, &pb.ListIncidentsRequest{Parent: client}},
		{w.till, &pb.GetSalonRequest{Name: w.salon}},
		{w.till, &pb.DescribeCallerRequest{}},
	}
	read := reads[w.random.IntN(len(reads))]
	w.do(read.caller, read.req)
}

// checkpoint takes a checkpoint and verifies that the log continues from the one that
// this worker had before.
func (w *worker) checkpoint() {
	now, at := w.newestHead("")
	if now != nil && w.one(2) {
		w.newestHead(at) // another server must not be behind
	}
	if now == nil || w.earlier == nil || now.size <= w.earlier.size || w.earlier.size == 0 {
		w.earlier = later(w.earlier, now)
		return
	}
	before := *w.earlier
	w.verified("", &pb.GetConsistencyProofRequest{Name: w.shop.name, OldSize: before.size, NewSize: now.size}, func(o *op, answer proto.Message) error {
		hashes := answer.(*pb.GetConsistencyProofResponse).Hashes
		return proof.VerifyConsistency(rfc6962.DefaultHasher, uint64(before.size), uint64(now.size), hashes, before.root, now.root)
	})
	w.earlier = now
}

// later returns the head of the larger log.
func later(a, b *head) *head {
	if a == nil || b != nil && b.size > a.size {
		return b
	}
	return a
}

// newestHead asks for a checkpoint, at another server than the last if there is one,
// and notes what it says. It is nil if there is none yet.
func (w *worker) newestHead(last string) (newest *head, at string) {
	w.verified(last, &pb.GetCheckpointRequest{Name: w.shop.name}, func(o *op, answer proto.Message) (err error) {
		if newest, err = parseHead(answer.(*pb.GetCheckpointResponse).Checkpoint); err == nil {
			o.Size, o.Root, at = newest.size, base64.StdEncoding.EncodeToString(newest.root), o.Target
		}
		return err
	})
	return newest, at
}

// verified makes a call of the auditor, lets the answer be verified, and notes if that
// fails. It is made at another server than the last.
func (w *worker) verified(last string, req proto.Message, verify func(*op, proto.Message) error) {
	o := w.describe(w.vesna, req)
	o.Worker, o.Target = w.name, last
	done, answer := w.attempt(w.random, o, req)
	if answer == nil {
		return
	}
	if err := verify(&done, answer); err != nil {
		done.Complaint = err.Error()
	}
	w.record(done)
}

// receipt verifies that an entry is on the log under a checkpoint that comes with the
// proof.
func (w *worker) receipt() {
	listed, ok := w.do(w.odile, &pb.ListEntriesRequest{Parent: w.shop.name, PageSize: 20})
	if !ok || len(listed.(*pb.ListEntriesResponse).Entries) == 0 {
		return
	}
	entries := listed.(*pb.ListEntriesResponse).Entries
	name := entries[w.random.IntN(len(entries))].Name
	w.verified("", &pb.GetInclusionProofRequest{Name: name}, func(o *op, answer proto.Message) error {
		a := answer.(*pb.GetInclusionProofResponse)
		under, err := parseHead(a.Checkpoint)
		if err != nil {
			return err
		}
		o.Receipt, o.Place, o.Size, o.Root = name, a.Index, under.size, base64.StdEncoding.EncodeToString(under.root)
		leaf := rfc6962.DefaultHasher.HashLeaf(a.Stored)
		return proof.VerifyInclusion(rfc6962.DefaultHasher, uint64(a.Index), uint64(under.size), leaf, a.Hashes, under.root)
	})
}

// export copies the log in two parts, with the resume token of the first, as a copy
// that was interrupted does. Indexes must go on without a gap.
func (w *worker) export() {
	token, after := "", int64(-1)
	for range 2 {
		req := &pb.ExportEntriesRequest{Parent: w.shop.name, ResumeToken: token}
		enough := 1 + w.random.IntN(40)
		w.stream(w.vesna, req, after, func(ctx context.Context, conn *grpc.ClientConn, o *op) error {
			stream, err := pb.NewAuditServiceClient(conn).ExportEntries(ctx, req)
			for err == nil && len(o.Stream) < enough {
				var answer *pb.ExportEntriesResponse
				if answer, err = stream.Recv(); err == nil && answer.Entry != nil {
					o.Stream = append(o.Stream, answer.Index)
					token, after = answer.ResumeToken, answer.Index
				}
			}
			return err
		})
	}
}

// watch reads some messages of a session's stream and returns the resume token of the
// last. The first message after a token is the whole state, which must be at least as
// new as what the token stands for.
func (w *worker) watch(session, token string, enough int) string {
	if !w.one(3) && token == "" {
		return ""
	}
	after := int64(-1)
	if digits, ok := strings.CutPrefix(token, "seq-"); ok {
		after, _ = strconv.ParseInt(digits, 10, 64) // 0 if it is no number: any state is newer
	}
	req := &pb.WatchSessionRequest{Name: session, ResumeToken: token}
	w.stream(w.till, req, after, func(ctx context.Context, conn *grpc.ClientConn, o *op) error {
		o.Key = session
		stream, err := pb.NewProcessingServiceClient(conn).WatchSession(ctx, req)
		for err == nil && len(o.Stream) < enough {
			var answer *pb.WatchSessionResponse
			if answer, err = stream.Recv(); err == nil && answer.GetState() != nil {
				o.Stream = append(o.Stream, answer.GetState().Sequence)
				if token = answer.ResumeToken; token != fmt.Sprint("seq-", answer.GetState().Sequence) {
					o.Complaint = "the resume token of sequence " + fmt.Sprint(answer.GetState().Sequence) + " is " + token
				}
			}
		}
		return err
	})
	return token
}

// stream records the reading of a stream as one op. It is acknowledged if something was
// read: a stream may be cut at any time.
func (w *worker) stream(who string, req proto.Message, after int64, read func(context.Context, *grpc.ClientConn, *op) error) {
	o := w.describe(who, req)
	o.Worker, o.After, o.Limit = w.name, after, readLimit
	at, conn, err := w.pick(w.random, "")
	o.Target, o.Call = at, w.now()
	if err := w.journal.write(o); err != nil {
		panic(err)
	}
	if err == nil {
		ctx, cancel := context.WithTimeout(identified(who), readLimit)
		err = read(ctx, conn, &o)
		cancel()
	}
	o.Return = w.now()
	if o.judge(err); len(o.Stream) > 0 || errors.Is(err, io.EOF) {
		o.Outcome = acknowledged
	}
	w.record(o)
}
