package storage

import (
	"context"
	"crypto/sha256"
	"database/sql/driver"
	"encoding/hex"
	"errors"
	"io"
	"strconv"
	"strings"

	"github.com/lib/pq"
)

// fetched is what the statement of a plan has found. A snapshot with it has no
// transaction any more: one statement sees the database at one moment, and what it did
// not fetch cannot be read from that moment later.
type fetched struct {
	// claimed means that the request was answered before.
	claimed bool
	// named are the records that were wanted by name; nil: there is none.
	named map[namedRow]*plannedRow
	// lists are the rows that were wanted by a condition, by an ID of the condition.
	lists map[string][]plannedRow
	// facts are what was known of sessions when their newer events were fetched, by ID.
	facts map[string]*sessionFacts
	// recent are the recent decisions of clients, by the ID of the client.
	recent map[string]recentlyDecided
	// missed means that the function asked for something that the plan does not have. Its
	// result must not be used.
	missed bool
}

// namedRow is the place of a record.
type namedRow struct {
	table      *statements
	parent, id string
}

// plannedRow is a row of the statement of a plan.
type plannedRow struct {
	part             int64
	parent, id, etag string
	body             []byte
	// version and wrapped are the key of the client; empty for a record in clear.
	version string
	wrapped []byte
}

// sealedRow returns the row as a query of a sealed table would.
func (r plannedRow) sealedRow() sealedRow {
	return sealedRow{r.parent, r.id, r.body, r.version, r.wrapped}
}

// keepNamed stores rows as records that were wanted by name.
func (f *fetched) keepNamed(t *statements, rows []plannedRow) {
	for i := range rows {
		f.named[namedRow{t, rows[i].parent, rows[i].id}] = &rows[i]
	}
}

// errMissed ends a function that asks for something that its plan does not have.
var errMissed = errors.New("storage: not in the plan of what is read")

// miss notes that the plan does not have what is asked for.
func (s *Snapshot) miss() error {
	s.planned.missed = true
	return errMissed
}

// list returns the rows of a condition from the plan, if the snapshot has one.
func (s *Snapshot) list(id string) (rows []sealedRow, planned bool, err error) {
	if s.planned == nil {
		return nil, false, nil
	}
	found, ok := s.planned.lists[id]
	if !ok {
		return nil, true, s.miss()
	}
	rows = make([]sealedRow, len(found))
	for i, r := range found {
		rows[i] = r.sealedRow()
	}
	return rows, true, nil
}

// name returns the row of a record from the plan; ErrNotFound if there is none.
func (s *Snapshot) name(t *statements, at key) (sealedRow, error) {
	row, ok := s.planned.named[namedRow{t, at.parent, at.id}]
	switch {
	case !ok:
		return sealedRow{}, s.miss()
	case row == nil:
		return sealedRow{}, ErrNotFound
	}
	return row.sealedRow(), nil
}

// partNumber stands in the text of a part for its number, by which its rows are told from
// those of the others.
const partNumber = ":part"

// claimText finds out whether a request was answered before.
const claimText = "select :part, '', id::text, '', null::bytea, null::text, null::bytea from requests where chain = $1 and id = "

// fetch runs the statement of a plan in one message and returns a snapshot of what it
// found. requestID, if not empty, is looked up with it.
func (db *DB) fetch(ctx context.Context, in scope, p *Plan, requestID string) (*Snapshot, error) {
	chain := in.chain
	st := &planStatement{db: db, types: []string{"text"}, values: []string{pq.QuoteLiteral(chain)}}
	f := &fetched{named: map[namedRow]*plannedRow{}, lists: map[string][]plannedRow{}, facts: map[string]*sessionFacts{},
		recent: map[string]recentlyDecided{}}
	var texts []string
	var keep []func(*fetched, []plannedRow)
	add := func(text string, k func(*fetched, []plannedRow)) {
		texts, keep = append(texts, strings.Replace(text, partNumber, strconv.Itoa(len(texts)), 1)), append(keep, k)
	}
	if requestID != "" {
		add(claimText+st.arg("text", requestID), func(f *fetched, rows []plannedRow) { f.claimed = len(rows) > 0 })
	}
	for _, w := range p.names {
		for _, id := range w.ids {
			f.named[namedRow{w.table, w.parent, id}] = nil
		}
		cached := db.records.get(chain, w)
		add(st.named(w, cached), func(f *fetched, rows []plannedRow) {
			f.missed = !db.records.complete(chain, w, cached, rows) || f.missed
			f.keepNamed(w.table, rows)
		})
	}
	for _, part := range p.parts {
		add(part.text(st), part.keep)
	}
	if st.err != nil {
		return nil, st.err
	}
	rows, err := db.runPlan(ctx, in, strings.Join(texts, "\nunion all "), st)
	if err != nil {
		return nil, explain(ctx, err)
	}
	byPart := make([][]plannedRow, len(keep))
	for _, r := range rows {
		byPart[r.part] = append(byPart[r.part], r)
	}
	for i, k := range keep {
		k(f, byPart[i])
	}
	return &Snapshot{ctx: ctx, db: db, chain: chain, planned: f}, nil
}

// runPlan runs a statement on a connection of the pool. It replaces connections that
// died in the pool, as begin does.
func (db *DB) runPlan(ctx context.Context, in scope, text string, st *planStatement) (rows []plannedRow, err error) {
	for stale := 0; ; stale++ {
		c, err := in.connection(ctx, db)
		if err != nil {
			return nil, err
		}
		err = c.Raw(func(dc any) (err error) {
			cn := dc.(*conn)
			cn.link.setDeadline(ctx)
			defer cn.link.clearDeadline()
			rows, err = cn.runPlan(ctx, in, text, st)
			return err
		})
		c.Close()
		if err == nil || !connectionLost(err) || stale == db.maxConns {
			return rows, err
		}
	}
}

// The errors of PostgreSQL by which a connection learns what the server has prepared. A
// pooler between them may lead each transaction to another server process.
const (
	notPrepared     = "26000" // invalid_sql_statement_name
	alreadyPrepared = "42P05" // duplicate_prepared_statement
)

// runPlan sends one message: it begins a transaction in a scope, runs the statement, and
// ends the transaction. The statement is prepared under a name made from its text, the
// first time in the same message, so that it is planned once per connection.
func (c *conn) runPlan(ctx context.Context, in scope, text string, st *planStatement) ([]plannedRow, error) {
	sum := sha256.Sum256([]byte(text))
	name := "alkalog_" + hex.EncodeToString(sum[:12])
	run := in.begin(driver.TxOptions{ReadOnly: true}, 0) +
		"; set local plan_cache_mode = force_generic_plan; execute " + name + "(" + strings.Join(st.values, ", ") + "); commit"
	for attempt := 0; ; attempt++ {
		message := run
		if !c.plans[name] {
			message = "prepare " + name + " (" + strings.Join(st.types, ", ") + ") as " + text + "; " + run
		}
		rows, err := c.query(ctx, message)
		if err == nil {
			c.plans[name] = true
			return rows, nil
		}
		var refused *pq.Error
		code := ""
		if errors.As(err, &refused) {
			code = string(refused.Code)
		}
		if code != alreadyPrepared {
			// The error has ended the message inside the transaction. A connection that cannot
			// roll back is not used again.
			_ = c.pqConn.Rollback()
		}
		if code != alreadyPrepared && code != notPrepared || attempt == 2 {
			return nil, err
		}
		c.plans[name] = code == alreadyPrepared
	}
}

// query runs a message without parameters and returns the rows of its only select.
func (c *conn) query(ctx context.Context, message string) (found []plannedRow, err error) {
	rows, err := c.pqConn.QueryContext(ctx, message, nil)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	row := make([]driver.Value, 7)
	for {
		if err := rows.Next(row); err == io.EOF {
			return found, nil
		} else if err != nil {
			return nil, err
		}
		r := plannedRow{part: row[0].(int64), parent: row[1].(string), id: row[2].(string), etag: row[3].(string)}
		r.body, _ = row[4].([]byte)
		r.version, _ = row[5].(string)
		r.wrapped, _ = row[6].([]byte)
		found = append(found, r)
	}
}
