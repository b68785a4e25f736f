package storage

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/lib/pq"
)

// Plan lists what a function will read, so that all of it is fetched by one statement in
// one round trip (fetch.go). Name what the request names, and the lists that the function
// asks for. A function that reads anything else is still right: it runs again on a
// snapshot that reads record by record, which costs more.
//
// The zero Plan is empty. A Plan is made for one call and is not safe for concurrent use.
type Plan struct {
	names []wantedNames
	parts []wantedPart
}

// wantedNames are records of one table under one parent, wanted by ID.
type wantedNames struct {
	table  *statements
	parent string
	ids    []string
}

// wantedPart is one select of the statement of a plan.
type wantedPart struct {
	// text returns the select; it adds its arguments to the statement.
	text func(*planStatement) string
	// keep puts the rows that the select returned where readers look for them.
	keep func(*fetched, []plannedRow)
}

// Want adds the records with the given resource names to a plan. An empty name is
// skipped. A name that is not one of the kind is not found, as without a plan.
func (k Kind[M]) Want(p *Plan, names ...string) {
	for _, name := range names {
		if at, err := parseName(name); err == nil {
			p.wantName(k.statements, at)
		}
	}
}

// wantName adds one record. Records of one table and parent are fetched by one select.
func (p *Plan) wantName(t *statements, at key) {
	for i, w := range p.names {
		if w.table == t && w.parent == at.parent {
			if !slices.Contains(w.ids, at.id) {
				p.names[i].ids = append(w.ids, at.id)
			}
			return
		}
	}
	p.names = append(p.names, wantedNames{t, at.parent, []string{at.id}})
}

// WantList adds the first page of the records of a parent to a plan, as List reads it.
func (k Kind[M]) WantList(p *Plan, parent string, page Page) {
	at, err := parseName(parent)
	if err != nil {
		return
	}
	if !strings.Contains(parent, "/clients/") {
		at.id = ""
	}
	p.wantListing(k.byID("chain = $1 and parent = $2", k.newestFirst, at.chain, at.id), page)
}

// wantListing adds the first page of a listing. The rows are cut to the size of a page
// where they are read.
func (p *Plan) wantListing(l listing, page Page) {
	order := l.key
	if l.desc {
		order += " desc"
	}
	text := func(st *planStatement) string {
		return st.rows(l.table, st.renumbered(l.where, l.args), l.sealed != nil, order, page.limit()+1)
	}
	p.parts = append(p.parts, wantedPart{text, func(f *fetched, rows []plannedRow) { f.lists[l.id(page)] = rows }})
}

// id identifies a page of a listing among the lists of a plan.
func (l listing) id(page Page) string {
	return fmt.Sprintf("%s %s %s %t %q %d", l.table, l.where, l.key, l.desc, l.args, page.limit())
}

// WantVisits adds to a plan what a record card is made from: the first page of a client's
// sessions and outcomes, the events of the newest sessions, and the decisions of all
// sessions on the page with their overrides and signatures. The products that were planned
// or used come with them.
func WantVisits(p *Plan, client string, page Page, newest int) {
	at, err := parseName(client)
	if err != nil {
		return
	}
	p.wantListing(SessionFilter{Client: client}.listing(at.chain), page)
	Outcomes.WantList(p, client, page)
	p.wantEventsOfNewest(at, newest)
	p.wantDecisionsOfSessions(at, page.limit())
	p.wantProductsOf(func(st *planStatement) string { return "parent = " + st.arg("text", at.id) })
}

// WantProductsOf adds the products to a plan that were planned or used in a session.
func WantProductsOf(p *Plan, session string) {
	at, err := parseName(session)
	if err != nil {
		return
	}
	p.wantProductsOf(func(st *planStatement) string {
		return "parent = " + st.arg("text", at.parent) + " and id = " + st.arg("text", at.id)
	})
}

// wantProductsOf adds the products that the sessions name for which a condition holds. A
// product that the catalogue does not have is one of them.
func (p *Plan) wantProductsOf(sessions func(*planStatement) string) {
	const ids = "split_part(split_part(u, ' ', 1), '/', 4) as id from sessions, unnest(used) as u where chain = $1 and "
	p.parts = append(p.parts, wantedPart{func(st *planStatement) string {
		return "(select distinct :part, '', p.id, '', null::bytea, null::text, null::bytea from (select " + ids + sessions(st) + ") as p)"
	}, func(f *fetched, rows []plannedRow) {
		for _, r := range rows {
			if place := (namedRow{Products.statements, "", r.id}); f.named[place] == nil {
				f.named[place] = nil
			}
		}
	}}, wantedPart{func(st *planStatement) string {
		return st.rows(Products.name, "chain = $1 and parent = '' and id in (select "+ids+sessions(st)+")", false, "", 0)
	}, func(f *fetched, rows []plannedRow) { f.keepNamed(Products.statements, rows) }})
}

// WantOutcomeOf adds the outcome of a session to a plan, if there is one.
func WantOutcomeOf(p *Plan, session string) {
	p.parts = append(p.parts, wantedPart{func(st *planStatement) string {
		return st.rows(Outcomes.name+ofClient, "chain = $1 and client = parent and session = "+st.arg("text", session), true, "", 0)
	}, func(f *fetched, rows []plannedRow) { f.keepNamed(Outcomes.statements, rows) }})
}

// wantEventsOfNewest adds the events of a client's newest sessions, by the order of their
// IDs. Which sessions those are is taken from the rows of the sessions themselves.
func (p *Plan) wantEventsOfNewest(client key, newest int) {
	of := func(st *planStatement) (string, string) {
		id, n := st.arg("text", client.id), st.arg("int", strconv.Itoa(newest))
		return id, fmt.Sprintf(" from sessions where chain = $1 and parent = %s order by id desc limit %s)", id, n)
	}
	p.parts = append(p.parts, wantedPart{func(st *planStatement) string {
		_, newest := of(st)
		return "(select :part, '', id::text, '', null::bytea, null::text, null::bytea" + newest
	}, func(f *fetched, rows []plannedRow) {
		for _, r := range rows {
			f.lists[eventsID(r.id)] = nil
		}
	}}, wantedPart{func(st *planStatement) string {
		id, newest := of(st)
		return st.rows(events.name+ofClient, "chain = $1 and client = "+id+" and parent in (select id"+newest, true, "parent, sequence", 0)
	}, func(f *fetched, rows []plannedRow) {
		for _, r := range rows {
			f.lists[eventsID(r.parent)] = append(f.lists[eventsID(r.parent)], r)
		}
	}})
}

// wantDecisionsOfSessions adds the decisions that a client's newest sessions were begun
// on, and what was put beside them later.
func (p *Plan) wantDecisionsOfSessions(client key, newest int) {
	of := func(st *planStatement, column string) (string, string) {
		id, n := st.arg("text", client.id), st.arg("int", strconv.Itoa(newest))
		return id, fmt.Sprintf(`%s in (select split_part(d.decision, '/', 6) from
			(select decision from sessions where chain = $1 and parent = %s order by id desc limit %s) as d)`, column, id, n)
	}
	p.parts = append(p.parts, wantedPart{func(st *planStatement) string {
		id, in := of(st, "id")
		return st.rows(Decisions.name+ofClient, fmt.Sprintf("chain = $1 and parent = %s and client = parent and %s", id, in), true, "", 0)
	}, func(f *fetched, rows []plannedRow) {
		f.keepNamed(Decisions.statements, rows)
		for _, r := range rows {
			f.lists[overridesID(r.id)] = nil
			f.named[namedRow{countersignatures.statements, r.parent, r.id}] = nil
		}
	}}, wantedPart{func(st *planStatement) string {
		id, in := of(st, "parent")
		return st.rows(overrides.name+ofClient, fmt.Sprintf("chain = $1 and client = %s and %s", id, in), true, "parent, id", 0)
	}, func(f *fetched, rows []plannedRow) {
		for _, r := range rows {
			f.lists[overridesID(r.parent)] = append(f.lists[overridesID(r.parent)], r)
		}
	}}, wantedPart{func(st *planStatement) string {
		id, in := of(st, "id")
		return st.rows(countersignatures.name+ofClient, fmt.Sprintf("chain = $1 and parent = %s and client = parent and %s", id, in), true, "", 0)
	}, func(f *fetched, rows []plannedRow) { f.keepNamed(countersignatures.statements, rows) }})
}

// WantMeasuredOutcomes adds what MeasuredOutcomes reads.
func WantMeasuredOutcomes(p *Plan, practitioner string, limit int) {
	p.parts = append(p.parts, wantedPart{func(st *planStatement) string {
		return st.rows(Outcomes.name+ofClient, "chain = $1 and "+st.renumbered(measuredOutcomes, []any{nil, practitioner}), true, "id desc", limit)
	}, func(f *fetched, rows []plannedRow) { f.lists[measuredOutcomesID(practitioner)] = rows }})
}

// WantActiveHousePolicy adds what ActiveHousePolicy reads.
func WantActiveHousePolicy(p *Plan) {
	p.parts = append(p.parts, wantedPart{func(st *planStatement) string {
		return st.rows(HousePolicies.name, "chain = $1 and "+st.renumbered(activePolicy, []any{nil, activeState}), false, "", 0)
	}, func(f *fetched, rows []plannedRow) { f.lists[activePolicyID] = rows }})
}

// mostPolicyTexts is how many texts of a chain a plan looks through. A chain has one per
// version of its policy. Our own choice: with more, HasPolicyText may have to ask again.
const mostPolicyTexts = 100

// WantPolicyTexts adds what HasPolicyText needs: the digests of the texts that the chain
// has, without the texts.
func WantPolicyTexts(p *Plan) {
	p.parts = append(p.parts, wantedPart{func(*planStatement) string {
		return "(select :part, '', id::text, '', null::bytea, null::text, null::bytea from policy_texts where chain = $1 and parent = '' limit " +
			strconv.Itoa(mostPolicyTexts) + ")"
	}, func(f *fetched, rows []plannedRow) { f.lists[policyTextsID] = rows }})
}

// planStatement is the statement of a plan, while it is composed.
type planStatement struct {
	db    *DB
	types []string
	// values are the arguments as SQL literals.
	values []string
	// err is an argument that no literal can hold.
	err error
}

// arg adds an argument and returns the parameter that stands for it. The value is the
// text that PostgreSQL reads for the type.
func (st *planStatement) arg(sqlType, value string) string {
	if strings.ContainsRune(value, 0) {
		st.err = fmt.Errorf("%w: a name with a zero byte", ErrNotFound)
	}
	st.types, st.values = append(st.types, sqlType), append(st.values, pq.QuoteLiteral(value))
	return "$" + strconv.Itoa(len(st.types))
}

// list adds a list of texts as an argument.
func (st *planStatement) list(values []string) string {
	text, err := pq.StringArray(values).Value() // nil only for a nil list
	if s, ok := text.(string); ok && err == nil {
		return st.arg("text[]", s)
	}
	return st.arg("text[]", "{}")
}

// parameter is a parameter in a condition.
var parameter = regexp.MustCompile(`\$\d+`)

// renumbered adds the arguments of a condition, of which the first is the chain, and
// returns the condition with the parameters that they have in the whole statement.
func (st *planStatement) renumbered(where string, args []any) string {
	now := []string{"$1"}
	for _, a := range args[1:] {
		switch v := a.(type) {
		case time.Time:
			now = append(now, st.arg("timestamptz", v.Format(time.RFC3339Nano)))
		default:
			now = append(now, st.arg("text", fmt.Sprint(v)))
		}
	}
	return parameter.ReplaceAllStringFunc(where, func(p string) string {
		n, _ := strconv.Atoi(p[1:])
		return now[n-1]
	})
}

// rows returns the select of the rows of a table that a condition holds for, with the
// key of their client if they are sealed. The text has partNumber in it. A limit
// of 0 is none.
func (st *planStatement) rows(from, where string, sealed bool, order string, limit int) string {
	key := "null::text, null::bytea"
	if sealed {
		key = "version, wrapped"
	}
	text := fmt.Sprintf("(select :part, parent::text, id::text, etag, body, %s from %s where %s", key, from, where)
	if order != "" {
		text += " order by " + order
	}
	if limit > 0 {
		text += " limit " + st.arg("int", strconv.Itoa(limit))
	}
	return text + ")"
}

// named returns the select of records by ID. Of a record whose version is in the cache
// only the version comes back, without its body.
func (st *planStatement) named(w wantedNames, cached map[string]cachedRecord) string {
	from, where, body := w.table.name, "chain = $1", "body"
	if w.table.client != "" {
		owner := w.table.client
		if owner == "?" {
			owner = "parent"
		}
		from, where = from+ofClient, "chain = $1 and client = "+owner
	}
	where += fmt.Sprintf(" and parent = %s and id = any(%s)", st.arg("text", w.parent), st.list(w.ids))
	if w.table.client == "" {
		var etags []string
		for _, c := range cached {
			etags = append(etags, c.etag)
		}
		body = fmt.Sprintf("case when etag = any(%s) then null else body end", st.list(etags))
	}
	return strings.Replace(st.rows(from, where, w.table.client != "", "", 0), " body,", " "+body+",", 1)
}
