package storage

import (
	"context"
	"database/sql/driver"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/lib/pq"
)

// A message holds the statements of a transaction that are sent together with its BEGIN,
// so that all of them cost one round trip. Only COMMIT is sent by itself, because its
// reply decides what callers are told.
//
// The statements are prepared once per connection and run with EXECUTE, in the protocol's
// simple form, the only one that takes several statements in one message. Arguments are
// literals, therefore; literal quotes them. What must not be part of a statement's text is
// in a statement of its own, in the extended form, in the same transaction.
type message struct {
	// ctx ends the statements.
	ctx context.Context
	// ready is called when there is a connection, before anything is sent on it; an error
	// ends the attempt.
	ready func() error
	steps []step
	// last is sent after the steps; nil: nothing is.
	last *boundStatement
	// lockTimeout, if not 0, is how long a statement waits for a lock.
	lockTimeout time.Duration
	// idleTimeout is how long the server waits for COMMIT.
	idleTimeout time.Duration
	// results are the rows that each step has returned, by their first column.
	results [][]string
}

// boundStatement is a statement whose arguments are bound parameters.
type boundStatement struct {
	query string
	args  []any
}

// step is one statement of a message. It must return rows, if only to show that it has
// ended.
type step struct {
	query string
	args  []any
	// audit means that it inserts audit entries.
	audit bool
	// check compares the returned rows with what should have happened, and calls fail for
	// each write, by its index, that must be left out; nil: nothing to compare.
	check func(rows []string, fail func(write int, err error))
}

// text returns the message: BEGIN and what belongs to it, the statements that this
// connection has not prepared yet, and the steps. It also returns the newly prepared
// queries. To prepare a statement is to lock its tables, so that comes after the timeout
// for locks; what is prepared outlives the transaction, whatever becomes of it.
func (m *message) text(c *conn, begin string) (string, []string, error) {
	var prepare, execute strings.Builder
	var fresh []string
	for _, s := range m.steps {
		name, known := c.named[s.query]
		if !known {
			c.names++ // never used twice, so that a failed message leaves no doubt
			name = fmt.Sprintf("alkalog_%d", c.names)
			c.named[s.query] = name
			fresh = append(fresh, s.query)
			fmt.Fprintf(&prepare, "; prepare %s as %s", name, s.query)
		}
		execute.WriteString("; execute " + name)
		for i, arg := range s.args {
			text, err := literal(arg)
			if err != nil {
				return "", fresh, err
			}
			execute.WriteString(map[bool]string{true: "(", false: ","}[i == 0] + text)
		}
		if len(s.args) > 0 {
			execute.WriteString(")")
		}
	}
	return begin + prepare.String() + execute.String(), fresh, nil
}

// errZeroByte is the error of a text that PostgreSQL cannot store. In a message it would
// end the statements early.
var errZeroByte = errors.New(`storage: invalid byte sequence: a text has a zero byte`)

// literal returns an argument as an SQL literal whose type the statement gives.
func literal(arg any) (string, error) {
	if valuer, ok := arg.(driver.Valuer); ok {
		value, err := valuer.Value()
		if err != nil {
			return "", err
		}
		arg = value
	}
	switch v := arg.(type) {
	case nil:
		return "null", nil
	case string:
		if strings.IndexByte(v, 0) >= 0 {
			return "", errZeroByte
		}
		return pq.QuoteLiteral(v), nil
	case []byte:
		// Quoted as text is, so that standard_conforming_strings, which others can set, does
		// not change what the backslash means.
		return pq.QuoteLiteral(`\x` + hex.EncodeToString(v)), nil
	case int:
		return strconv.Itoa(v), nil
	}
	return "", fmt.Errorf("storage: an argument of type %T", arg)
}

// send sends a message and reads all results. If it fails, the connection may be in a
// transaction.
func (c *conn) send(m *message, begin string) error {
	m.results = nil
	defer c.link.endWith(m.ctx)()
	text, fresh, err := m.text(c, begin)
	var rows driver.Rows
	if err == nil {
		rows, err = c.pqConn.QueryContext(m.ctx, text, nil)
	}
	// The first result is that of admissionQuery, which ends what belongs to BEGIN. It has
	// a row, so an error of what comes after it is not seen before the results are read.
	begun := 0
	if err == nil {
		begun, err = m.read(rows)
	}
	if err == nil {
		return c.sendLast(m)
	}
	for _, query := range fresh {
		delete(c.named, query) // nobody knows how far the server has come
	}
	switch {
	case begun == 0:
		return auditRefusal(admissionRefusal(err))
	case begun <= len(m.steps) && m.steps[begun-1].audit:
		return auditRefusal(err)
	}
	return err
}

// sendLast sends the statement with bound parameters, if there is one.
func (c *conn) sendLast(m *message) error {
	if m.last == nil {
		return nil
	}
	args := make([]driver.NamedValue, len(m.last.args))
	for i, arg := range m.last.args {
		value, err := driver.DefaultParameterConverter.ConvertValue(arg)
		if err != nil {
			return err
		}
		args[i] = driver.NamedValue{Ordinal: i + 1, Value: value}
	}
	_, err := c.ExecContext(m.ctx, m.last.query, args)
	return err
}

// read reads the results, and returns how many steps were begun if one of them fails.
func (m *message) read(rows driver.Rows) (begun int, err error) {
	defer rows.Close()
	sets := rows.(driver.RowsNextResultSet)
	for begun = 1; ; begun++ {
		var result []string
		for {
			row := make([]driver.Value, len(rows.Columns()))
			err := rows.Next(row)
			if err == io.EOF {
				break
			}
			if err != nil {
				return begun, err
			}
			result = append(result, firstColumn(row))
		}
		m.results = append(m.results, result)
		if !sets.HasNextResultSet() {
			break
		}
		if err := sets.NextResultSet(); err != nil {
			return begun, err
		}
	}
	if len(m.results) != len(m.steps)+1 {
		return begun, fmt.Errorf("storage: %d results of %d statements", len(m.results)-1, len(m.steps))
	}
	m.results = m.results[1:]
	return begun, nil
}

// firstColumn returns the first column of a row as text.
func firstColumn(row []driver.Value) string {
	if len(row) == 0 {
		return ""
	}
	if b, ok := row[0].([]byte); ok {
		return string(b)
	}
	return fmt.Sprint(row[0])
}

// check calls fail for each write that must be left out.
func (m *message) check(fail func(write int, err error)) {
	for i, s := range m.steps {
		if s.check != nil {
			s.check(m.results[i], fail)
		}
	}
}
