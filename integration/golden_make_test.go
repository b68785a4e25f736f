package integration

import (
	"bytes"
	"compress/gzip"
	"context"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/demo"
	"alkalog/server/serve"
	"alkalog/storage/localpg"
	"alkalog/storage/storagetest"
)

// golden names the golden database to be made by this revision of the program.
var golden = flag.String("golden", "", "make a golden database of this name")

// goldenDay is the day of the demo and of everything else in a golden database.
var goldenDay = time.Date(2026, time.November, 3, 21, 0, 0, 0, time.UTC)

// TestMakeGoldenDatabase makes one when it is asked to: the demo's day, and a
// second chain with decisions on cards drawn at random.
func TestMakeGoldenDatabase(t *testing.T) {
	if *golden == "" {
		return // asked for by hand only; see DEVELOPERS.md
	}
	dir := storagetest.Dir(t)
	start := func(ctx context.Context, dir string, now func() time.Time) (demo.Server, error) {
		return serve.Start(ctx, serve.Config{Address: "127.0.0.1:0", DataDir: dir, Clock: now, Development: true})
	}
	if err := demo.Run(t.Context(), demo.Options{Out: io.Discard, Dir: dir, Start: start}); err != nil {
		t.Fatal(err)
	}
	s := &testServer{clock: &clock{now: goldenDay}}
	server, err := serve.Start(t.Context(), serve.Config{
		Address: "127.0.0.1:0", DataDir: dir, Clock: s.clock.Now, Development: true, Limits: serve.Limits{Quotas: unlimitedQuotas()}})
	if err != nil {
		t.Fatal(err)
	}
	s.stubs = dial(t, server.Addr())
	s.newChain(t, "golden").variety(t, 20261103)
	server.Stop(context.Background())
	if err := server.Wait(); err != nil {
		t.Fatal(err)
	}
	keep(t, dir, filepath.Join(goldenDir, *golden))
}

// keep writes the dump of a private database and the keys that belong to it.
func keep(t *testing.T, dir, to string) {
	t.Helper()
	cluster, err := localpg.Start(t.Context(), localpg.Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	defer cluster.Stop()
	if err := os.MkdirAll(to, 0o755); err != nil {
		t.Fatal(err)
	}
	// Requests hold every answer a second time, and are purged after a while anyway.
	dump := exec.Command("pg_dump", "--schema=alkalog", "--exclude-table-data=alkalog.requests", "--inserts", "--rows-per-insert=50", "--dbname", cluster.DSN("", ""))
	dump.Stderr = os.Stderr
	text, err := dump.Output()
	if err != nil {
		t.Fatal(err)
	}
	var packed bytes.Buffer
	out, _ := gzip.NewWriterLevel(&packed, gzip.BestCompression)
	for line := range bytes.Lines(text) {
		if !bytes.HasPrefix(line, []byte(`\`)) { // psql's own commands, which no server knows
			out.Write(line)
		}
	}
	if err := out.Close(); err != nil {
		t.Fatal(err)
	}
	write := func(name string, content []byte) {
		if err := os.WriteFile(filepath.Join(to, name), content, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	write("database.sql.gz", packed.Bytes())
	for _, key := range []string{"clients", "log"} {
		line, err := os.ReadFile(filepath.Join(dir, "keys", key))
		if err != nil {
			t.Fatal(err)
		}
		write(key, line)
	}
}

// randomDecisions is how many cards are drawn. Some 60 fit into a dump that is
// small enough to be kept with the code.
const randomDecisions = 60

// variety makes decisions, overrides, signatures, sessions and outcomes of all
// kinds. The cards of the clients are drawn from a seed.
func (c *chain) variety(t *testing.T, seed uint64) {
	t.Helper()
	products := c.goldenShelf(t)
	salons := c.goldenSalons(t)
	draw := rand.New(rand.NewPCG(seed, 1))
	for i := range randomDecisions {
		if i == randomDecisions/2 {
			c.goldenPolicy(t)
		}
		question := c.question(c.drawn(t, draw))
		question.Product = products[draw.IntN(len(products))]
		question.Salon = salons[draw.IntN(len(salons))]
		question.ServiceKind = pb.ServiceKind(1 + draw.IntN(3))
		question.LotCode = []string{"", c.relaxerLot, "R-old"}[draw.IntN(3)]
		d := must(t, c.imara, c.eligibility.CheckEligibility, question).Decision
		for _, f := range d.Findings[:min(2, len(d.Findings))] {
			must(t, c.imara, c.eligibility.OverrideDecision, c.override(d, f))
		}
	}
	student := c.students(t)
	must(t, c.teo, c.processing.StartSession, &pb.StartSessionRequest{
		Parent: parent(student.Name), Decision: c.signed(t, student).Name, RequestId: newID()})
	session := c.carriedOut(t)
	c.clock.advance(time.Hour)
	must(t, c.amara, c.outcome.RecordOutcome, completed(session))
	for _, days := range []int{1, 30, 60} { // the record card is part of what is decided on
		c.clock.advance(time.Duration(days) * 24 * time.Hour)
		q := c.question(c.submitted(t, parent(session.Name)).Name)
		q.ServiceKind = pb.ServiceKind_SERVICE_KIND_RETOUCH
		must(t, c.amara, c.eligibility.CheckEligibility, q)
	}
	broken := c.session(t)
	c.report(t, broken, eventAt(broken, 0, applied("front")))
	must(t, c.amara, c.outcome.RecordOutcome, brokenOff(broken))
	c.session(t) // and one that is left open
}

// drawn is the name of a submitted consultation whose card was drawn at random.
// A card that contradicts itself is refused, and another one is drawn.
func (c *chain) drawn(t *testing.T, draw *rand.Rand) string {
	t.Helper()
	client := c.client(t)
	for {
		card := c.consultationAnswers(func(k *pb.Consultation) { scramble(draw, k) })
		answer, err := c.consultation.CreateConsultation(c.amara.calling(t), &pb.CreateConsultationRequest{
			Parent: client, Consultation: card, RequestId: newID()})
		if status.Code(err) == codes.InvalidArgument {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		return must(t, c.amara, c.consultation.SubmitConsultation, &pb.SubmitConsultationRequest{
			Name: answer.Consultation.Name, RequestId: newID()}).Consultation.Name
	}
}

// scramble changes answers of a card at random: up to a dozen to another value,
// some to none.
func scramble(draw *rand.Rand, k *pb.Consultation) {
	var places []func()
	collect(draw, k.Scalp.ProtoReflect(), &places)
	collect(draw, k.History.ProtoReflect(), &places)
	collect(draw, k.Hair.ProtoReflect(), &places)
	collect(draw, k.Tests.ProtoReflect(), &places)
	collect(draw, k.Consent.ProtoReflect(), &places)
	for range draw.IntN(12) {
		places[draw.IntN(len(places))]()
	}
}

// collect lists what can be changed in a message and in those within it.
func collect(draw *rand.Rand, m protoreflect.Message, places *[]func()) {
	for i := range m.Descriptor().Fields().Len() {
		f := m.Descriptor().Fields().Get(i)
		switch {
		case f.IsList() && f.Message() != nil:
			for j := range m.Get(f).List().Len() {
				collect(draw, m.Get(f).List().Get(j).Message(), places)
			}
		case f.IsList():
		case f.Message() == (*pb.PastEvent)(nil).ProtoReflect().Descriptor():
			*places = append(*places, func() {
				happened := &pb.PastEvent{Happened: yes, LastTime: timestamppb.New(goldenDay.AddDate(0, 0, -draw.IntN(120)))}
				m.Set(f, protoreflect.ValueOfMessage(happened.ProtoReflect()))
			})
		case f.Message() != nil:
			if m.Has(f) && f.Message().FullName() != "google.protobuf.Timestamp" {
				collect(draw, m.Get(f).Message(), places)
			}
		case f.Enum() != nil && f.Name() != "zone":
			*places = append(*places, func() {
				values := f.Enum().Values()
				m.Set(f, protoreflect.ValueOfEnum(values.Get(draw.IntN(values.Len())).Number()))
			})
		case f.Kind() == protoreflect.DoubleKind:
			*places = append(*places, func() { m.Set(f, protoreflect.ValueOfFloat64(float64(draw.IntN(100)))) })
		}
	}
}

// goldenShelf adds products that other rules speak of.
func (c *chain) goldenShelf(t *testing.T) []string {
	t.Helper()
	names := []string{c.relaxer, c.relaxer, c.relaxer}
	add := func(id string, change func(*pb.Product)) {
		p := proto.CloneOf(c.products()[3])
		p.Name, p.DisplayName = c.name+"/products/"+id, "Invented "+id
		change(p)
		must(t, c.odile, c.catalog.CreateProduct, &pb.CreateProductRequest{Parent: c.name, ProductId: id, Product: p, RequestId: newID()})
		names = append(names, p.Name)
	}
	add("strong", func(p *pb.Product) {
		p.Strength = pb.Strength_STRENGTH_SUPER
		p.Directions.MaximumMinutes = new(int32(15))
		p.Lots = append(p.Lots, &pb.Lot{LotCode: "R-old", ExpireTime: timestamppb.New(goldenDay.AddDate(0, 0, -1))})
	})
	add("retail", func(p *pb.Product) {
		p.UseTier, p.Directions.AllowedOnColoured = pb.UseTier_USE_TIER_GENERAL, no
		p.Lots = append(p.Lots, &pb.Lot{LotCode: "R-old", RecallTime: timestamppb.New(goldenDay.AddDate(0, 0, -1))})
	})
	add("without-directions", func(p *pb.Product) { p.Directions, p.DeclaredPh = nil, nil })
	add("guanidine", func(p *pb.Product) {
		p.HydroxideKind, p.Strength = pb.HydroxideKind_HYDROXIDE_KIND_GUANIDINE, pb.Strength_STRENGTH_MILD
		p.Ingredients[0].Substance = pb.Substance_SUBSTANCE_CALCIUM_HYDROXIDE
	})
	return names
}

// goldenSalons adds salons in other places.
func (c *chain) goldenSalons(t *testing.T) []string {
	t.Helper()
	names := []string{c.salon}
	for place, name := range pb.Jurisdiction_name {
		if place == 0 {
			continue
		}
		id := fmt.Sprintf("place-%d", place)
		must(t, c.odile, c.directory.CreateSalon, &pb.CreateSalonRequest{Parent: c.name, SalonId: id, RequestId: newID(),
			Salon: &pb.Salon{DisplayName: name, Jurisdiction: pb.Jurisdiction(place), TimeZone: "Europe/London", MinutesToBowl: new(int32(2))}})
		names = append(names, c.name+"/salons/"+id)
	}
	return names
}

// goldenPolicy puts a stricter house policy in force.
func (c *chain) goldenPolicy(t *testing.T) {
	t.Helper()
	policy := must(t, c.odile, c.catalog.CreateHousePolicy, &pb.CreateHousePolicyRequest{
		Parent: c.name, HousePolicyId: "strict", RequestId: newID(), HousePolicy: &pb.HousePolicy{
			DisplayName: "Strict", Parameters: &pb.PolicyParameters{StraighteningCapPercent: new(75.0), ProcessingMaximumMinutes: new(int32(14))},
			Rules: []*pb.Rule{{
				RuleId: "house.no-brittle-ends", Version: 1, Scope: pb.RuleScope_RULE_SCOPE_ZONE, Severity: pb.Severity_SEVERITY_REFER,
				Expression: "zone.porosity != Porosity.NORMAL", Message: "Not with porous hair here.",
				Basis: &pb.Basis{Kind: pb.BasisKind_BASIS_KIND_HOUSE, Source: "invented"},
			}},
		}}).HousePolicy
	must(t, c.odile, c.catalog.ActivateHousePolicy, &pb.ActivateHousePolicyRequest{Name: policy.Name, RequestId: newID()})
}
