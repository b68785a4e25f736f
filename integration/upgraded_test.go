package integration

import (
	"testing"

	"google.golang.org/grpc/codes"

	pb "alkalog/proto/alkalogv1"
	"alkalog/storage"
)

// TestNothingNewBeforeTheUpgradeIsFinished: while a server of an older version may write,
// nothing is stored that it would ignore in a decision: no link, no imported record and
// no school. Calls that need none of them succeed meanwhile.
func TestNothingNewBeforeTheUpgradeIsFinished(t *testing.T) {
	t.Parallel()
	s := newTestServer(t)
	c := s.newChain(t, "ebb-and-flow")
	one, other := c.client(t), c.client(t)
	link := func() *pb.LinkClientsRequest {
		return &pb.LinkClientsRequest{Name: one, Client: other, RequestId: newID()}
	}
	school := func(id string, kind pb.ChainKind) *pb.CreateChainRequest {
		return &pb.CreateChainRequest{ChainId: id, Chain: &pb.Chain{DisplayName: "Invented", Kind: kind}, RequestId: newID()}
	}
	minimum := func(schema int64) {
		if _, err := s.sql.Exec("update alkalog.schema_compatibility set min_server_schema = $1", schema); err != nil {
			t.Fatal(err)
		}
	}

	minimum(storage.SchoolSchema - 1)
	during := s.startSecondServer(t)
	wantError(t, "a link", mustFail(t, c.odile, during.consultation.LinkClients, link()), codes.FailedPrecondition, "LINK_NEEDS_UPGRADE")
	wantError(t, "an import", mustFail(t, c.odile, during.imports.ImportRecords, c.importing("first")), codes.FailedPrecondition, "IMPORT_NOT_YET")
	wantError(t, "a school", mustFail(t, c.operator, during.directory.CreateChain, school("spring-tide", pb.ChainKind_CHAIN_KIND_SCHOOL)), codes.FailedPrecondition, "SCHOOL_NEEDS_UPGRADE")
	must(t, c.operator, during.directory.CreateChain, school("neap-tide", pb.ChainKind_CHAIN_KIND_UNSPECIFIED))
	if linked := must(t, c.amara, during.consultation.GetClient, &pb.GetClientRequest{Name: one}).Client.LinkedClients; len(linked) > 0 {
		t.Errorf("linked with %v", linked)
	}

	minimum(storage.LinksSchema - 1)
	released := s.startSecondServer(t)
	wantError(t, "a link beside the release before", mustFail(t, c.odile, released.consultation.LinkClients, link()), codes.FailedPrecondition, "LINK_NEEDS_UPGRADE")

	minimum(storage.SchemaVersion)
	finished := s.startSecondServer(t)
	must(t, c.odile, finished.consultation.LinkClients, link())
	// The minimum never falls, so an end of a link needs no check of its own.
	must(t, c.odile, finished.consultation.UnlinkClients, &pb.UnlinkClientsRequest{Name: one, RequestId: newID()})
	must(t, c.operator, finished.directory.CreateChain, school("spring-tide", pb.ChainKind_CHAIN_KIND_SCHOOL))
	must(t, c.odile, finished.imports.ImportRecords, c.importing("first"))
}
