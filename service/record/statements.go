package record

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/rules"
	"alkalog/service/texts"
	"alkalog/storage"
)

// FillStatements completes the statements of a consultation of a client with what only
// the server sets: the text and the items that were shown, the item that is asked
// singly, and the time. A statement that is stored already stays as it is, so that it
// keeps the meaning that it had when it was given. path is where the consultation
// stands in the request. stored is nil for a new consultation and for a what-if.
func FillStatements(r *storage.Snapshot, caller actor.Actor, engine *rules.Engine, path, client string, stored, wanted *pb.Consultation, now time.Time) error {
	if len(wanted.GetStatements()) == 0 {
		return nil
	}
	salon, err := Get(r, caller, storage.Salons, wanted.GetSalon())
	if err != nil {
		return err
	}
	visit := now
	if t := stored.GetCreateTime(); t != nil {
		visit = t.AsTime()
	}
	for i, given := range wanted.Statements {
		if known := storedStatement(stored, given); known != nil {
			wanted.Statements[i] = known
			continue
		}
		if err := KnownStatement(engine, fmt.Sprintf("%s.statements[%d].version", path, i), given); err != nil {
			return err
		}
		shown := engine.Statement(given.StatementId, given.Version)
		wanted.Statements[i] = &pb.StatementAnswer{
			StatementId: shown.StatementId, Version: shown.Version, Language: texts.English, // they have no other language, whatever the form was asked for in
			ClientConfirmation: given.ClientConfirmation, SecondsTaken: given.SecondsTaken,
			Text: shown.Text, Items: shown.Items, OfClient: shown.OfClient,
			SingleItem: SingleItem(client, visit.In(Zone(salon)), shown), GiveTime: timestamppb.New(now),
		}
	}
	return nil
}

// KnownStatement refuses a statement that the policy does not have in that version; field
// is where the version stands in the request.
func KnownStatement(engine *rules.Engine, field string, given *pb.StatementAnswer) error {
	if engine.Statement(given.GetStatementId(), given.GetVersion()) != nil {
		return nil
	}
	return fault.Invalid(field, fmt.Sprintf("must be a version that a form of this server shows; there is no version %d of %q",
		given.GetVersion(), given.GetStatementId()))
}

// storedStatement is the stored statement that a caller sent again unchanged; nil when
// there is none.
func storedStatement(stored *pb.Consultation, given *pb.StatementAnswer) *pb.StatementAnswer {
	for _, s := range stored.GetStatements() {
		same := proto.CloneOf(given)
		same.Text, same.Items, same.SingleItem, same.OfClient, same.GiveTime, same.Language = s.Text, s.Items, s.SingleItem, s.OfClient, s.GiveTime, s.Language
		if proto.Equal(s, same) {
			return s
		}
	}
	return nil
}

// SingleItem is the item of a statement that is asked by itself at a visit. It depends
// on the client's name, which holds random bits that the server drew, and on the day of
// the visit in the salon: nobody can foresee it without a computer, and a new draft on
// the same day does not draw again.
func SingleItem(client string, visit time.Time, s *pb.StatementAnswer) string {
	if len(s.GetItems()) == 0 {
		return ""
	}
	sum := sha256.Sum256([]byte(client + "\n" + visit.Format(time.DateOnly) + "\n" + s.GetStatementId()))
	return s.GetItems()[binary.BigEndian.Uint64(sum[:])%uint64(len(s.GetItems()))].GetField()
}
