package importer

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
)

// Options say what is sent where.
type Options struct {
	Service pb.ImportServiceClient
	// Chain is the resource name of the chain, ID the last segment of the import's name.
	Chain, ID string
	// System is the system that the file comes from.
	System string
	Lines  Source
	// After is the line after which to begin; 0: at the first.
	After int64
	// DryRun has the server judge the lines and store nothing.
	DryRun bool
	// Finish ends the import with the last batch.
	Finish bool
	// Report is told what became of each line, in order.
	Report func(Result) error
	// Sent is told the number of each line that a batch ended with; nil: nobody is.
	Sent func(line int64)
}

// Result is what became of an item of a line. It holds nothing of what the line says.
type Result struct {
	Line    int64  `json:"line"`
	Outcome string `json:"outcome"` // CREATED, EXISTED, REFUSED or CLIENT_UNKNOWN
	Name    string `json:"name,omitempty"`
	Field   string `json:"field,omitempty"`
	Problem string `json:"problem,omitempty"`
	Differs bool   `json:"differs,omitempty"`
}

// Counts are how many items had which outcome.
type Counts struct{ Lines, Created, Existed, Differing, Refused int64 }

const (
	// mostItems is how many items a batch has; the contract's limit.
	mostItems = 200
	// mostBytes bounds a batch well below the 1 MiB that a request may have.
	mostBytes = 700 << 10
	// attempts is how often a batch is sent to a server that does not answer, with pauses that
	// double from firstPause to longestPause. Our own choice: about a minute.
	attempts     = 15
	firstPause   = 200 * time.Millisecond
	longestPause = 5 * time.Second
	// callTime is how long one attempt may take; the server gives no call more than a minute.
	callTime = 50 * time.Second
)

// Batches are sent one after the other. A client must be stored before its records, and the
// position of an import must not pass a batch that was not stored. A batch has up to 200
// items, so little time is lost by waiting for one.

// sender sends one file.
type sender struct {
	Options
	counts Counts
	batch  []Line
	items  int
	bytes  int
	// wouldBe are the external ids of clients that a dry run has found right, since the
	// server does not know them from batch to batch.
	wouldBe map[string]bool
}

// Send sends the lines of a file in batches, in order, and reports each. The error is about
// the import as a whole; what was reported before it stands. Send again with After set to
// Import.position continues it, and without After repeats it without storing anything twice.
func Send(ctx context.Context, o Options) (Counts, error) {
	s := &sender{Options: o, wouldBe: map[string]bool{}}
	for {
		line, err := o.Lines.Next()
		if errors.Is(err, io.EOF) {
			return s.counts, s.flush(ctx, o.Finish)
		}
		if err != nil {
			return s.counts, errors.Join(s.flush(ctx, false), err)
		}
		if line.Number <= o.After {
			continue
		}
		s.counts.Lines++
		size := 0
		for _, item := range line.Items {
			size += proto.Size(item) + 16
		}
		if s.items+len(line.Items) > mostItems || s.bytes+size > mostBytes {
			if err := s.flush(ctx, false); err != nil {
				return s.counts, err
			}
		}
		s.batch, s.items, s.bytes = append(s.batch, line), s.items+len(line.Items), s.bytes+size
	}
}

// Position returns the line after which an import that was begun continues: the greatest
// position that the server has judged. It is 0 for an import that the server does not know.
func Position(ctx context.Context, o Options) (int64, error) {
	answer, err := o.Service.GetImport(ctx, &pb.GetImportRequest{Name: o.Chain + "/imports/" + o.ID})
	if status.Code(err) == codes.NotFound {
		return 0, nil
	}
	return answer.GetImport().GetPosition(), err
}

// flush sends the lines that were gathered, and reports them.
func (s *sender) flush(ctx context.Context, finish bool) error {
	req := &pb.ImportRecordsRequest{Parent: s.Chain, ImportId: s.ID, System: s.System, DryRun: s.DryRun, Finished: finish, RequestId: uuid.NewString()}
	for _, line := range s.batch {
		req.Items = append(req.Items, line.Items...)
	}
	results := []*pb.ImportResult{}
	if len(req.Items) > 0 || finish && !s.DryRun {
		answer, err := s.call(ctx, req)
		if err != nil {
			return err
		}
		if results = answer.Results; len(results) != len(req.Items) {
			return fmt.Errorf("the server answered %d results for %d items", len(results), len(req.Items))
		}
	}
	for _, line := range s.batch {
		if line.Problem != "" {
			s.counts.Refused++
			if err := s.Report(Result{Line: line.Number, Outcome: "REFUSED", Field: line.Field, Problem: line.Problem}); err != nil {
				return err
			}
		}
		for i, item := range line.Items {
			if err := s.report(item, results[i]); err != nil {
				return err
			}
		}
		results = results[len(line.Items):]
	}
	if n := len(s.batch); n > 0 && s.Sent != nil {
		s.Sent(s.batch[n-1].Number)
	}
	s.batch, s.items, s.bytes = s.batch[:0], 0, 0
	return nil
}

// In a dry run the server knows nothing of the clients of earlier batches. It judges the
// content of an item before it looks for the client, so an item whose client is missing has
// nothing else that is wrong, and here it is known whether the client would be there.

// report counts and reports one item.
func (s *sender) report(item *pb.ImportItem, r *pb.ImportResult) error {
	outcome := r.Outcome
	if s.DryRun && outcome == pb.ImportOutcome_IMPORT_OUTCOME_CLIENT_UNKNOWN && s.wouldBe[item.ClientExternalId] {
		outcome = pb.ImportOutcome_IMPORT_OUTCOME_CREATED
		r = &pb.ImportResult{Position: r.Position}
	}
	switch outcome {
	case pb.ImportOutcome_IMPORT_OUTCOME_CREATED:
		s.counts.Created++
		if item.GetClient() != nil {
			s.wouldBe[item.ExternalId] = true
		}
	case pb.ImportOutcome_IMPORT_OUTCOME_EXISTED:
		s.counts.Existed++
		if r.Differs {
			s.counts.Differing++
		}
	default:
		s.counts.Refused++
	}
	return s.Report(Result{Line: item.Position, Outcome: strings.TrimPrefix(outcome.String(), "IMPORT_OUTCOME_"), Name: r.Name, Field: r.Field, Problem: r.Problem, Differs: r.Differs})
}

// repeatable are the codes after which the same request is sent again.
var repeatable = []codes.Code{codes.Unavailable, codes.DeadlineExceeded, codes.ResourceExhausted}

// A server that is being restarted or that asks for patience is waited for; an answer that says
// what is wrong ends the import. What was stored before stays stored.

// call sends a batch until it is answered. An attempt whose outcome is not known is repeated
// with the same request id, so it is done once.
func (s *sender) call(ctx context.Context, req *pb.ImportRecordsRequest) (*pb.ImportRecordsResponse, error) {
	for try, pause := 1, firstPause; ; try, pause = try+1, min(2*pause, longestPause) {
		attempt, cancel := context.WithTimeout(ctx, callTime)
		answer, err := s.Service.ImportRecords(attempt, req)
		cancel()
		switch code := status.Code(err); {
		case err == nil, try == attempts, ctx.Err() != nil:
			return answer, err
		case code == codes.Aborted: // nothing was done
			req.RequestId = uuid.NewString()
		case !slices.Contains(repeatable, code):
			return nil, err
		}
		select {
		case <-ctx.Done():
			return nil, err
		case <-time.After(pause):
		}
	}
}
