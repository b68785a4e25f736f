package cluster

import (
	"context"
	"database/sql"
	"fmt"
	"maps"
	"path"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// Everybody here is invented.
const (
	chainName    = "chains/ebb"
	salonName    = chainName + "/salons/quay"
	operatorName = "operators/site"
	managerName  = chainName + "/practitioners/odile"
	productName  = chainName + "/products/regular"
)

// load is a number of practitioners who take clients in and have them decided on, all
// at once. It keeps every call, from before it is sent. A call whose outcome is unknown
// is sent again with the same request ID until it is answered.
type load struct {
	conn  *grpc.ClientConn
	stop  context.CancelFunc
	ended sync.WaitGroup

	mu    sync.Mutex
	calls []*call
	// wrong are answers that no fault excuses.
	wrong []string
	// by counts the acknowledged calls by the address of the server.
	by map[string]int
}

// call is a call and what became of it.
type call struct {
	who, method string
	request     proto.Message
	answer      proto.Message // nil: not acknowledged yet
	tries       int
	first       time.Time // when it was sent first
	done        time.Time // when it was acknowledged
	last        error     // why the try before failed
}

// prepare stores the chain, its salon, people and product.
func prepare(t testing.TB, conn *grpc.ClientConn, practitioners int) {
	t.Helper()
	l := &load{conn: conn}
	ctx, cancel := context.WithTimeout(t.Context(), waitTimeout)
	defer cancel()
	do := func(who, method string, request, answer proto.Message) {
		if !l.do(ctx, who, method, request, answer) {
			t.Fatalf("%s was not answered: %v", method, l.wrong)
		}
	}
	do("role=operator name="+operatorName, "DirectoryService/CreateChain", &pb.CreateChainRequest{
		ChainId: path.Base(chainName), Chain: &pb.Chain{DisplayName: "Invented chain"}, RequestId: uuid.NewString()}, &pb.CreateChainResponse{})
	manager := "role=manager name=" + managerName
	do(manager, "DirectoryService/CreateSalon", &pb.CreateSalonRequest{Parent: chainName, SalonId: path.Base(salonName), RequestId: uuid.NewString(),
		Salon: &pb.Salon{DisplayName: "Invented salon", Jurisdiction: pb.Jurisdiction_JURISDICTION_UK, TimeZone: "Europe/London"}}, &pb.CreateSalonResponse{})
	for i := range practitioners {
		do(manager, "DirectoryService/CreatePractitioner", &pb.CreatePractitionerRequest{Parent: chainName, PractitionerId: path.Base(practitioner(i)), RequestId: uuid.NewString(),
			Practitioner: &pb.Practitioner{DisplayName: "Invented", Role: pb.Role_ROLE_PRACTITIONER, Salons: []string{salonName}}}, &pb.CreatePractitionerResponse{})
	}
	do(manager, "CatalogService/CreateProduct", &pb.CreateProductRequest{Parent: chainName, ProductId: path.Base(productName), RequestId: uuid.NewString(),
		Product: &pb.Product{DisplayName: "Invented relaxer", Kind: pb.ProductKind_PRODUCT_KIND_HYDROXIDE_RELAXER, HydroxideKind: pb.HydroxideKind_HYDROXIDE_KIND_SODIUM}}, &pb.CreateProductResponse{})
}

// practitioner is the name of a practitioner.
func practitioner(i int) string { return fmt.Sprintf("%s/practitioners/p%d", chainName, i) }

// startLoad sets practitioners to work.
func startLoad(conn *grpc.ClientConn, practitioners int) *load {
	ctx, stop := context.WithCancel(context.Background())
	l := &load{conn: conn, stop: stop, by: map[string]int{}}
	for i := range practitioners {
		l.ended.Go(func() {
			tick := time.NewTicker(pause)
			defer tick.Stop()
			for l.visit(ctx, practitioner(i)) {
				<-tick.C
			}
		})
	}
	return l
}

// pause is how soon a practitioner takes the next client, so that a log of minutes can
// still be compared in seconds.
const pause = 50 * time.Millisecond

// visit is one client's: taken in, looked at, and refused because of broken skin.
func (l *load) visit(ctx context.Context, by string) bool {
	who := "role=practitioner name=" + by
	client, card, decision := &pb.CreateClientResponse{}, &pb.CreateConsultationResponse{}, &pb.CheckEligibilityResponse{}
	return l.do(ctx, who, "ConsultationService/CreateClient", &pb.CreateClientRequest{Parent: chainName, RequestId: uuid.NewString(),
		Client: &pb.Client{DisplayName: "Invented"}}, client) &&
		l.do(ctx, who, "ConsultationService/CreateConsultation", &pb.CreateConsultationRequest{Parent: client.GetClient().GetName(), RequestId: uuid.NewString(),
			Consultation: &pb.Consultation{Salon: salonName, Practitioner: by, Scalp: &pb.ScalpAnalysis{BrokenSkin: pb.Answer_ANSWER_YES}}}, card) &&
		l.do(ctx, who, "ConsultationService/SubmitConsultation", &pb.SubmitConsultationRequest{Name: card.GetConsultation().GetName(), RequestId: uuid.NewString()}, &pb.SubmitConsultationResponse{}) &&
		l.do(ctx, who, "EligibilityService/CheckEligibility", &pb.CheckEligibilityRequest{Parent: client.GetClient().GetName(), RequestId: uuid.NewString(),
			Subject: &pb.CheckEligibilityRequest_Consultation{Consultation: card.GetConsultation().GetName()}, ServiceKind: pb.ServiceKind_SERVICE_KIND_VIRGIN,
			Product: productName, Practitioner: by, Salon: salonName}, decision)
}

// do makes a call until it is answered, and reports whether it was; if not, ctx is done.
func (l *load) do(ctx context.Context, who, method string, request, answer proto.Message) bool {
	c := &call{who: who, method: method, request: request, first: time.Now()}
	l.mu.Lock()
	l.calls = append(l.calls, c)
	l.mu.Unlock()
	return l.try(ctx, c, answer)
}

// retryPause is how long a caller waits before it tries again.
const retryPause = 20 * time.Millisecond

// try sends a call until it is answered.
func (l *load) try(ctx context.Context, c *call, answer proto.Message) bool {
	for ctx.Err() == nil {
		var server peer.Peer
		err := l.send(ctx, c, answer, grpc.Peer(&server))
		l.mu.Lock()
		c.tries++
		switch {
		case err == nil:
			c.answer, c.done = proto.Clone(answer), time.Now()
			if l.by != nil && server.Addr != nil {
				l.by[server.Addr.String()]++
			}
		case mayRetry(err):
			c.last = err
		case ctx.Err() == nil:
			l.wrong = append(l.wrong, fmt.Sprintf("%s: %v", c.method, err))
		}
		l.mu.Unlock()
		if err == nil || !mayRetry(err) {
			return err == nil
		}
		select {
		case <-ctx.Done():
		case <-time.After(retryPause):
		}
	}
	return false
}

// send makes one try.
func (l *load) send(ctx context.Context, c *call, answer proto.Message, opts ...grpc.CallOption) error {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Development "+c.who)
	return l.conn.Invoke(ctx, "/alkalog.v1."+c.method, c.request, answer, opts...)
}

// mayRetry reports whether the contract tells a caller to send the same request again
// (service/fault/REASONS.md).
func mayRetry(err error) bool {
	switch status.Code(err) {
	case codes.Unavailable, codes.DeadlineExceeded, codes.ResourceExhausted:
		return true
	}
	return false
}

// finish lets nobody begin another call, and makes every call that was not answered
// until it is.
func (l *load) finish(t testing.TB) {
	t.Helper()
	l.stop()
	l.ended.Wait()
	ctx, cancel := context.WithTimeout(t.Context(), waitTimeout)
	defer cancel()
	for _, c := range l.calls {
		if c.answer == nil && !l.try(ctx, c, blank(c)) {
			t.Errorf("%s was not answered: %v", c.method, c.last)
		}
	}
	for _, what := range l.wrong {
		t.Error(what)
	}
	t.Logf("%d calls acknowledged, %d of them after more than one try", len(l.calls), l.repeated())
}

// blank is an empty answer to a call.
func blank(c *call) proto.Message {
	request := c.request.ProtoReflect().Descriptor()
	name := strings.TrimSuffix(string(request.Name()), "Request") + "Response"
	for _, m := range []proto.Message{&pb.CreateClientResponse{}, &pb.CreateConsultationResponse{}, &pb.SubmitConsultationResponse{}, &pb.CheckEligibilityResponse{}} {
		if string(m.ProtoReflect().Descriptor().Name()) == name {
			return m
		}
	}
	panic("no answer to " + c.method)
}

// repeated counts the calls that needed more than one try.
func (l *load) repeated() (n int) {
	for _, c := range l.calls {
		if c.tries > 1 {
			n++
		}
	}
	return n
}

// wantMended fails for each call that one retry did not mend.
func (l *load) wantMended(t testing.TB) {
	t.Helper()
	for _, c := range l.calls {
		if c.tries > 2 {
			t.Errorf("%s took %d tries, the last failure was %v", c.method, c.tries, c.last)
		}
	}
}

// acknowledged counts the calls that were answered.
func (l *load) acknowledged() (n int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, c := range l.calls {
		if c.answer != nil {
			n++
		}
	}
	return n
}

// waitAcknowledged waits until so many more calls were answered.
func (l *load) waitAcknowledged(t testing.TB, more int) {
	t.Helper()
	want := l.acknowledged() + more
	eventually(t, fmt.Sprintf("%d more calls to be acknowledged", more), func() bool { return l.acknowledged() >= want })
}

// waitServedBy waits until a server has acknowledged so many more calls: it is not enough
// that it is ready, clients must have found it again too.
func (l *load) waitServedBy(t testing.TB, v *server, more int) {
	t.Helper()
	served := func() int {
		l.mu.Lock()
		defer l.mu.Unlock()
		return l.by[v.address]
	}
	want := served() + more
	eventually(t, fmt.Sprintf("%s to answer %d more calls", v.name, more), func() bool { return served() >= want })
}

// silence is the longest time without an acknowledgement, from an instant until now.
func (l *load) silence(since time.Time) time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	done := []time.Time{since}
	for _, c := range l.calls {
		if c.answer != nil && c.done.After(since) {
			done = append(done, c.done)
		}
	}
	slices.SortFunc(done, time.Time.Compare)
	var longest time.Duration
	for i := range done[1:] {
		longest = max(longest, done[i+1].Sub(done[i]))
	}
	return longest
}

// wantKept checks that every call was done exactly once: each is answered again as it
// was, and the database holds what was acknowledged and nothing else.
func (l *load) wantKept(t testing.TB, db *sql.DB) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*waitTimeout)
	defer cancel()
	var repeaters sync.WaitGroup
	for part := range slices.Chunk(l.calls, (len(l.calls)+practitioners-1)/practitioners) {
		repeaters.Go(func() { l.repeat(ctx, t, part) })
	}
	repeaters.Wait()
	names := map[string][]string{}
	for _, c := range l.calls {
		switch a := c.answer.(type) {
		case *pb.CreateClientResponse:
			names["clients"] = append(names["clients"], path.Base(a.Client.Name))
		case *pb.CreateConsultationResponse:
			names["consultations"] = append(names["consultations"], path.Base(a.Consultation.Name))
		case *pb.CheckEligibilityResponse:
			names["decisions"] = append(names["decisions"], path.Base(a.Decision.Name))
			names["entries of refusals"] = append(names["entries of refusals"], a.Decision.Name)
			if a.Decision.Verdict != pb.Verdict_VERDICT_REFUSE {
				t.Fatalf("a client with broken skin got %v", a.Decision.Verdict)
			}
		}
	}
	for _, what := range slices.Sorted(maps.Keys(names)) {
		query := "select id from alkalog." + what + " where chain = 'ebb'"
		if what == "entries of refusals" {
			query = "select decision from alkalog.audit_entries where chain = 'ebb' and kind = 'ENTRY_KIND_REFUSAL'"
		}
		wantSame(t, what, names[what], column(t, db, query))
	}
}

// repeat makes calls once more and compares the answers.
func (l *load) repeat(ctx context.Context, t testing.TB, calls []*call) {
	for _, c := range calls {
		again, answer := &call{who: c.who, method: c.method, request: c.request}, blank(c)
		if there := (&load{conn: l.conn}); !there.try(ctx, again, answer) {
			t.Errorf("the repetition of %s was not answered: %v %v", c.method, again.last, there.wrong)
			return
		}
		if !proto.Equal(durable(answer), durable(c.answer)) {
			t.Errorf("%s was acknowledged with\n%v\nand is answered now with\n%v", c.method, c.answer, answer)
		}
	}
}

// wantAnsweredBy repeats the newest acknowledged calls at one server, once each.
func (l *load) wantAnsweredBy(t testing.TB, v *server) {
	t.Helper()
	l.mu.Lock()
	calls := slices.DeleteFunc(slices.Clone(l.calls), func(c *call) bool { return c.answer == nil })
	l.mu.Unlock()
	there := &load{conn: v.conn}
	for _, c := range calls[max(0, len(calls)-100):] {
		answer := blank(c)
		if err := there.send(t.Context(), c, answer); err != nil {
			t.Errorf("the repetition of %s at %s: %v", c.method, v.name, err)
		} else if !proto.Equal(durable(answer), durable(c.answer)) {
			t.Errorf("%s was acknowledged with\n%v\nand is answered by %s with\n%v", c.method, c.answer, v.name, answer)
		}
		if t.Failed() {
			return // the others would say the same
		}
	}
}

// column returns the values of a query with one column.
func column(t testing.TB, db *sql.DB, query string) (values []string) {
	t.Helper()
	rows, err := db.QueryContext(t.Context(), query)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var v string
		if err := rows.Scan(&v); err != nil {
			t.Fatal(err)
		}
		values = append(values, v)
	}
	return values
}

// wantSame compares what was acknowledged with what is there.
func wantSame(t testing.TB, what string, acknowledged, there []string) {
	t.Helper()
	count := map[string]int{}
	for _, v := range acknowledged {
		count[v]++
	}
	doubled := 0
	for _, v := range there {
		if count[v]--; count[v] < 0 {
			doubled++
		}
	}
	lost := 0
	for _, n := range count {
		lost += max(n, 0)
	}
	t.Logf("%s: %d acknowledged, %d there, %d lost, %d doubled", what, len(acknowledged), len(there), lost, doubled)
	if lost+doubled > 0 || len(acknowledged) == 0 {
		t.Errorf("%s: %d lost, %d doubled, of %d", what, lost, doubled, len(acknowledged))
	}
}

// durable is an answer without what belongs to one attempt of a call.
func durable(answer proto.Message) proto.Message {
	kept := proto.Clone(answer).ProtoReflect()
	kept.Range(func(f protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
		if proto.GetExtension(f.Options(), pb.E_PerAttempt).(bool) {
			kept.Clear(f)
		}
		return true
	})
	return kept.Interface()
}
