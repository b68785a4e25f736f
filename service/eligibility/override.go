package eligibility

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/service/rules"
	"alkalog/storage"
)

// shortestComment is the least length of an override's comment in characters,
// without blanks at the ends. Our own choice: it excludes "ok" and "client wants
// it", and a sentence passes.
const shortestComment = 20

// mostOverrides is how many attempts on one decision are stored. All of them are
// part of every answer about the decision, so the number bounds the size of an
// answer. Our own choice: a decision has some dozen findings, each of which is
// overridden once.
const mostOverrides = 200

// checkOverrideCount refuses a further attempt on a decision that has the most.
func checkOverrideCount(decision *pb.Decision) error {
	if len(decision.Overrides) < mostOverrides {
		return nil
	}
	return fault.Precondition(pb.ErrorReason_ERROR_REASON_TOO_MANY_OVERRIDES, decision.Name,
		fmt.Sprintf("the decision has %d attempted overrides, the most that are recorded; check eligibility again for a new decision", len(decision.Overrides)))
}

// OverrideDecision tries to set one finding aside, with those of the same cause. The
// rules judge the attempt
// (rules.JudgeOverride): a denial is an answer with the reason in Override.denial,
// not an error, and it is stored and logged like an accepted one.
//
// The comment is personal data. It is stored with the decision under the client's
// key; the audit log holds only its commitment, a hash over the salt and the text.
// The salt is made outside the write function, which may run several times and
// must produce the same records each time.
func (s Service) OverrideDecision(ctx context.Context, req *pb.OverrideDecisionRequest) (*pb.OverrideDecisionResponse, error) {
	if utf8.RuneCountInString(strings.TrimSpace(req.Comment)) < shortestComment {
		return nil, fault.Invalid("comment", "must say why in at least 20 characters, not counting blanks at the ends")
	}
	salt := s.NewSalt()
	caller := actor.From(ctx)
	audit := record.EntryContext(caller, req, req.Name, s.Now())
	return storage.Write(ctx, s.DB, record.Chain(audit.Chain), req, func(r *storage.Snapshot) (*pb.OverrideDecisionResponse, storage.Changes, error) {
		decision, by, err := readDecisionAndPractitioner(r, caller, req)
		if err == nil {
			err = checkOverrideCount(decision)
		}
		if err != nil {
			return nil, storage.Changes{}, err
		}
		began, err := hasBegun(r, decision.Name)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		attempt := rules.Attempt{
			By: by, Caller: audit.Actor, As: audit.Role, RuleID: req.RuleId, Subject: req.Subject, Reason: req.ReasonCode,
			Began: began, At: audit.Time, PhotoDigest: req.PhotoDigest, LookedAgain: req.LookedAgain,
		}
		own := rules.IsOwnService(decision, attempt)
		if own {
			if attempt.OnlyOne, err = record.OnlyOne(r, decision.Inputs.GetSalon(), audit.Time); err != nil {
				return nil, storage.Changes{}, err
			}
		}
		override := &pb.Override{
			OverrideId:   storage.NewID(),
			RuleId:       req.RuleId,
			Subject:      req.Subject,
			Practitioner: req.Practitioner,
			Role:         audit.Role,
			ReasonCode:   req.ReasonCode,
			Comment:      req.Comment,
			CreateTime:   timestamppb.New(audit.Time),
			CommentSalt:  salt,
			Denial:       rules.JudgeOverride(decision, attempt),
			RuleIds:      rules.CauseRules(decision, req.RuleId, req.Subject),
			Alone:        own && attempt.OnlyOne,
			PhotoDigest:  req.PhotoDigest,
			LookedAgain:  req.LookedAgain,
		}
		answer := proto.CloneOf(decision)
		answer.Overrides = append(answer.Overrides, override)
		answer.StandingVerdict = rules.Standing(answer)
		return &pb.OverrideDecisionResponse{Decision: answer, Override: override}, storage.Changes{
			Records: []storage.Record{storage.InsertOverride(decision.Name, override)},
			Entries: []*pb.AuditEntry{audit.Overridden(decision, override)},
		}, nil
	})
}

// sessionsLooked is how many of a client's newest sessions are searched. Our own
// choice: a decision is valid for a day, and no client has that many sessions in a
// day.
const sessionsLooked = 50

// hasBegun reports whether a service was begun on a decision or in spite of it. A
// finding cannot be set aside afterwards: the override would justify what was
// already done.
func hasBegun(r *storage.Snapshot, decision string) (bool, error) {
	sessions, _, err := storage.ListSessions(r, storage.SessionFilter{Client: record.Parent(decision)}, storage.Page{Size: sessionsLooked})
	return slices.ContainsFunc(sessions, func(s *pb.Session) bool {
		return decision == s.Decision || decision == s.RefusedDecision || decision == s.NewerDecision
	}), err
}
