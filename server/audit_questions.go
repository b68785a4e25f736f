package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/report"
)

// The commands of this file answer an auditor's questions that a list of entries does not
// answer. Each is one question on a page of AUDITING.md. They ask the server and format
// what it says; what can be counted is counted there, so that every client gets the same
// figures.

// auditThreadCommand lists everything about one client, decision or session in the
// order in which it happened.
//
// It shows what is on the log: refusals, overrides, deviations, alarms, incidents, reads
// and the rest. What went as it should leaves no entry; the records themselves are read
// by the calls of the contract.
type auditThreadCommand struct {
	clientFlags
	outputFlags
	Name string `arg:"" help:"Resource name of the client, decision or session, such as chains/ebb/clients/018f6b2e."`
}

// Run lists the entries. There are few of one client, so they are collected and sorted
// by when they happened: what a till sent late is shown in its place. Entries of the same
// instant keep the order of the log.
//
// Clients who are linked with this one have threads of their own; CLIENTS_LINKED entries
// name them.
func (c auditThreadCommand) Run(ctx context.Context, std streams) error {
	chain, field, err := threadField(c.Name)
	if err != nil {
		return err
	}
	return c.with(ctx, std, chain, "auditor", func(conn *grpc.ClientConn) error {
		found, err := filtered(ctx, std, pb.NewAuditServiceClient(conn), chain, condition(field, c.Name))
		if err != nil {
			return err
		}
		slices.SortStableFunc(found, func(a, b *pb.AuditEntry) int { return a.GetOccurTime().AsTime().Compare(b.GetOccurTime().AsTime()) })
		return threadSheet().Write(std.out, report.DefaultFormat(c.Output, std.out), allRows(found))
	})
}

// threadField returns the chain of a record and the field of entries that names it. The
// full name is needed: a short one says neither the chain nor the kind of record.
func threadField(name string) (chain, field string, err error) {
	parts := strings.Split(name, "/")
	fields := map[string]string{"clients": "client", "decisions": "decision", "sessions": "session"}
	if len(parts) < 4 || len(parts)%2 != 0 || fields[parts[len(parts)-2]] == "" {
		return "", "", usage{fmt.Errorf("%q: want the name of a client, decision or session, such as chains/ebb/clients/018f6b2e", name)}
	}
	return strings.Join(parts[:2], "/"), fields[parts[len(parts)-2]], nil
}

// filtered collects the entries that fit a filter, and warns of what it may have missed.
// It is for filters that few entries fit; long lists are written as they arrive.
func filtered(ctx context.Context, std streams, client pb.AuditServiceClient, chain, filter string) (found []*pb.AuditEntry, err error) {
	var last *pb.ListEntriesResponse
	leftOut := int64(0)
	request := &pb.ListEntriesRequest{Parent: chain, Filter: filter, PageSize: 500}
	for e, err := range entries(ctx, client, request, 0, func(page *pb.ListEntriesResponse) { last, leftOut = page, leftOut+page.GetLeftOut() }) {
		if err != nil {
			return nil, err
		}
		found = append(found, e)
	}
	warn(std.err, last.GetCheck(), leftOut)
	return found, nil
}

// auditFollowedCommand lists refusals after which the client was served elsewhere. The
// server looks at the sessions of each refused client.
//
// A name in two salons of one chain is the same client only if both salons use the same
// record, or if the records are linked.
type auditFollowedCommand struct {
	clientFlags
	outputFlags
	periodFlags
	Chain     string        `arg:"" help:"Resource name of the chain, such as chains/ebb."`
	Within    time.Duration `default:"24h" help:"How soon after the refusal the service began, in whole hours, such as 24h or 720h."`
	SameSalon bool          `help:"Also services in the salon that refused."`
}

// Run lists them. What was looked at is said on standard error, so that an empty list
// can be told from a short one.
//
// The period is that of the refusals. A service after its end is found as well, because
// the question is what became of the refusal.
func (c auditFollowedCommand) Run(ctx context.Context, std streams) error {
	from, to, err := c.times()
	if err == nil && (c.Within < time.Hour || c.Within%time.Hour != 0) {
		err = usage{fmt.Errorf("--within %s: want whole hours, such as 24h", c.Within)}
	}
	if err != nil {
		return err
	}
	chain := chainName(c.Chain)
	return c.with(ctx, std, chain, "auditor", func(conn *grpc.ClientConn) error {
		request := &pb.ListFollowedRefusalsRequest{Parent: chain, PageSize: 500, StartTime: stampOf(from), EndTime: stampOf(to),
			WithinHours: proto.Int32(int32(c.Within / time.Hour)), SameSalon: c.SameSalon}
		var found []*pb.FollowedRefusal
		var looked, unreadable int64
		for {
			page, err := pb.NewAuditServiceClient(conn).ListFollowedRefusals(ctx, request)
			if err != nil {
				return err
			}
			found, looked, unreadable = append(found, page.GetFollowedRefusals()...), looked+page.GetLookedAt(), unreadable+page.GetUnreadable()
			if request.PageToken = page.GetNextPageToken(); request.PageToken == "" {
				break
			}
		}
		fmt.Fprintf(std.err, "%d of %d refusals and referrals were followed; of %d the client was erased\n", len(found), looked, unreadable)
		return followedSheet().Write(std.out, report.DefaultFormat(c.Output, std.out), allRows(found))
	})
}

// auditDiscomfortCommand shows how long water took after discomfort was reported.
//
// The period is of the reports and not of their recording, because a till may have been
// offline when the client said that it burns.
type auditDiscomfortCommand struct {
	clientFlags
	outputFlags
	From  string `placeholder:"TIME" help:"Reports of discomfort from then on: a day such as 2026-11-03 (from 00:00 UTC) or a time. Default: no lower bound."`
	To    string `placeholder:"TIME" help:"Reports of discomfort before then, in the format of --from. Default: no upper bound."`
	Chain string `arg:"" help:"Resource name of the chain, such as chains/ebb."`
	By    string `enum:"all,salon,practitioner,product,week" default:"all" help:"Group by salon, practitioner of the service, product or week of the report. Default: all together."`
	Cases bool   `help:"List the single cases instead, without water first, then the slowest."`
}

// Run prints the times, in seconds: a row for each group and one of all, or the cases.
// The server lists the slowest cases first and at most 500 of them.
func (c auditDiscomfortCommand) Run(ctx context.Context, std streams) error {
	from, to, err := periodFlags{From: c.From, To: c.To}.times()
	if err != nil {
		return err
	}
	chain := chainName(c.Chain)
	return c.with(ctx, std, chain, "auditor", func(conn *grpc.ClientConn) error {
		by := pb.SummaryDimension_value["SUMMARY_DIMENSION_"+strings.ToUpper(c.By)] // 0 for all
		times, err := pb.NewAuditServiceClient(conn).SummarizeDiscomfort(ctx, &pb.SummarizeDiscomfortRequest{
			Parent: chain, StartTime: stampOf(from), EndTime: stampOf(to), Dimension: pb.SummaryDimension(by)})
		if err != nil {
			return err
		}
		form := report.DefaultFormat(c.Output, std.out)
		if c.Cases {
			return discomfortCaseSheet().Write(std.out, form, allRows(times.GetCases()))
		}
		return discomfortSheet().Write(std.out, form, allRows(append(times.GetRows(), times.GetAll())))
	})
}

// auditLotCommand lists the services in which a lot was used: who has to be asked after a
// recall. It lists sessions and not entries, because a service that went well has no entry.
type auditLotCommand struct {
	clientFlags
	outputFlags
	Chain   string `arg:"" help:"Resource name of the chain, such as chains/ebb."`
	Lot     string `arg:"" help:"Lot code, as on the pack."`
	Product string `placeholder:"PRODUCT" help:"Name of the product. Default: every product of the catalogue that has this lot."`
}

// Run lists the sessions, newest first. A lot is found however it was spelled; the
// server compares it.
//
// Each product is a list of its own, and for an auditor a read of its own. A lot code is
// seldom that of two products.
func (c auditLotCommand) Run(ctx context.Context, std streams) error {
	chain := chainName(c.Chain)
	return c.with(ctx, std, chain, "auditor", func(conn *grpc.ClientConn) error {
		products, err := c.products(ctx, pb.NewCatalogServiceClient(conn), chain)
		if err != nil {
			return err
		}
		var found []*pb.Session
		for _, product := range products {
			request := &pb.ListSessionsRequest{Parent: chain + "/clients/-", PageSize: 500, Product: product, LotCode: c.Lot}
			for {
				page, err := pb.NewProcessingServiceClient(conn).ListSessions(ctx, request)
				if err != nil {
					return err
				}
				found = append(found, page.GetSessions()...)
				if request.PageToken = page.GetNextPageToken(); request.PageToken == "" {
					break
				}
			}
		}
		return lotSheet().Write(std.out, report.DefaultFormat(c.Output, std.out), allRows(found))
	})
}

// errNoLot means that no product of the catalogue has a lot. An empty list would read as
// "nobody got it", which is not known.
var errNoLot = errors.New("no product of the catalogue has this lot; name the product with --product to look at all its sessions")

// products returns the products that may have the lot: the one that was named, or those
// of the catalogue with such a lot.
func (c auditLotCommand) products(ctx context.Context, client pb.CatalogServiceClient, chain string) (names []string, err error) {
	if c.Product != "" {
		if !strings.Contains(c.Product, "/") {
			return []string{chain + "/products/" + c.Product}, nil
		}
		return []string{c.Product}, nil
	}
	for request := (&pb.ListProductsRequest{Parent: chain, PageSize: 500}); ; {
		page, err := client.ListProducts(ctx, request)
		if err != nil {
			return nil, err
		}
		for _, p := range page.GetProducts() {
			if slices.ContainsFunc(p.GetLots(), func(l *pb.Lot) bool { return plainLot(l.GetLotCode()) == plainLot(c.Lot) }) {
				names = append(names, p.GetName())
			}
		}
		if request.PageToken = page.GetNextPageToken(); request.PageToken == "" {
			break
		}
	}
	if len(names) == 0 {
		return nil, errNoLot
	}
	return names, nil
}

// plainLot is a lot code without blanks and signs, in capitals, to find its product. It is
// wider than the server's comparison: a product too many costs a call and finds nothing.
func plainLot(code string) string {
	return strings.Map(func(r rune) rune {
		if strings.ContainsRune(" -./_", r) {
			return -1
		}
		return r
	}, strings.ToUpper(code))
}

// auditReadersCommand shows who read about a client, by the audit log.
//
// A read of a list that names no client, such as a report, is an entry without a client.
// It is found by "audit list --kind AUDITOR_READ".
type auditReadersCommand struct {
	clientFlags
	outputFlags
	Name string `arg:"" help:"Resource name of the client: chains/CHAIN/clients/CLIENT."`
}

// readerRow is how often somebody read about a client by one call, and when for the first
// and the last time.
type readerRow struct {
	Who, Role, Method string
	Reads             int64
	First, Last       time.Time
}

// Run counts the reads that are on the log: those of auditors, and exports of the whole
// record. The read that answers this question is one of them, as soon as it is over.
func (c auditReadersCommand) Run(ctx context.Context, std streams) error {
	chain, err := chainOfClient(c.Name)
	if err != nil {
		return err
	}
	return c.with(ctx, std, chain, "auditor", func(conn *grpc.ClientConn) error {
		found, err := filtered(ctx, std, pb.NewAuditServiceClient(conn), chain, `(kind = "AUDITOR_READ" OR kind = "CLIENT_EXPORTED") AND `+condition("client", c.Name))
		if err != nil {
			return err
		}
		return readerSheet().Write(std.out, report.DefaultFormat(c.Output, std.out), allRows(readerRows(found)))
	})
}

// readerRows counts reads by person and call, the most frequent first. An entry can stand
// for several reads. An export names no call, because it is an entry of its own kind.
func readerRows(found []*pb.AuditEntry) (rows []*readerRow) {
	byCall := map[string]*readerRow{}
	for _, e := range found {
		method := cmp.Or(e.GetMethod(), "ConsultationService/ExportClient")
		r := byCall[e.GetActor()+" "+method]
		if r == nil {
			r = &readerRow{Who: e.GetActor(), Role: strings.TrimPrefix(e.GetRole().String(), "ROLE_"), Method: method, First: e.GetOccurTime().AsTime()}
			byCall[e.GetActor()+" "+method] = r
			rows = append(rows, r)
		}
		r.Reads += max(1, e.GetCount())
		r.Last = e.GetOccurTime().AsTime()
	}
	slices.SortStableFunc(rows, func(a, b *readerRow) int { return cmp.Compare(b.Reads, a.Reads) })
	return rows
}

// filterFlags are conditions on entries. All that are given must hold. They are short
// forms of a filter, for the questions that are asked most; the server completes short
// names and refuses unknown ones.
type filterFlags struct {
	Filter       string `placeholder:"FILTER" help:"Which entries (AIP-160), such as 'kind = \"REFUSAL\" AND record_time >= \"2026-11-01T00:00:00Z\"'. The flags below are short forms; all that are given must hold. Default: all."`
	Kind         string `help:"Only of this kind, such as OVERRIDE."`
	Salon        string `help:"Only of this salon, by name or its last part."`
	Actor        string `help:"Only what this person did."`
	Practitioner string `help:"Only of services of this practitioner, no matter who acted."`
	Client       string `help:"Only about this client."`
	Product      string `help:"Only about this product."`
	Lot          string `help:"Only about this lot."`
	Rule         string `help:"Only with this rule, deciding or not."`
	Reason       string `help:"Only with this coded reason, such as RINSED_LATE."`
	Policy       string `help:"Only under this policy: name of a house policy, or digest."`
	Till         string `help:"Only from this till."`
	TillVersion  string `help:"Only from this version of a till's program."`
}

// filter returns the flags as one filter; empty if there are none. A filter that was
// given alone is sent as it was typed, so that an error of the server can be compared with
// it.
func (f filterFlags) filter() string {
	var all []string
	if f.Filter != "" {
		all = append(all, "("+f.Filter+")")
	}
	for _, c := range [][2]string{{"kind", strings.ToUpper(f.Kind)}, {"salon", f.Salon}, {"actor", f.Actor}, {"service_practitioner", f.Practitioner}, {"client", f.Client},
		{"product", f.Product}, {"lot", f.Lot}, {"rule", f.Rule}, {"reason", f.Reason}, {"policy", f.Policy}, {"till", f.Till}, {"till_version", f.TillVersion}} {
		if c[1] != "" {
			all = append(all, condition(c[0], c[1]))
		}
	}
	if len(all) == 1 && f.Filter != "" {
		return f.Filter
	}
	return strings.Join(all, " AND ")
}

// condition is one comparison of a filter, with the value in quotes.
func condition(field, value string) string { return field + " = " + strconv.Quote(value) }
