package storage_test

import (
	"strings"
	"testing"

	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// TestPoliciesLeaveIndexes asks the server's role how it would search. A policy lets no
// operator look at a row before it that might report it, so an index serves only
// operators that are known not to; all that matter are.
func TestPoliciesLeaveIndexes(t *testing.T) {
	t.Parallel()
	pool := storagetest.NewDatabase(t).SQLIn(t, storage.RoleServer, chain+" enable_seqscan=off enable_bitmapscan=off")
	pool.SetMaxOpenConns(1)
	for query, conditions := range map[string][]string{
		"select request from requests where chain = 'c' and id = 'x'":                                                {"chain", "id"},
		"select body from salons where chain = 'c' and parent = '' and id = 'x'":                                     {"chain", "parent", "id"},
		"select body from salons where chain = 'c' and parent = '' and id > 'x' order by id limit 9":                 {"chain", "parent", "id)::text > "},
		"select body from decisions where chain = 'c' and id < '~' order by id desc limit 9":                         {"chain", "id)::text < "},
		"select body from session_events where chain = 'c' and parent = 's' and sequence > 3 order by sequence":      {"chain", "parent", "sequence > 3"},
		"select body from sessions where chain = 'c' and open and update_time >= now()":                              {"chain", "update_time"},
		"select body from sessions where chain = 'c' and decision = 'd'":                                             {"chain", "decision"},
		"select parent, session from session_uses where chain = 'c' and used = 'p R-1'":                              {"chain", "used"},
		"select body from audit_entries where chain = 'c' and position > 7 order by position limit 9":                {"chain", `"position" > 7`},
		"select body from audit_entries where chain = 'c' and kind = 'k' and position > 7 order by position limit 9": {"chain", `"position" > 7`},
		"select place from log_entries where chain = 'c' and id = 'x'":                                               {"chain", "id"},
	} {
		rows, err := pool.QueryContext(t.Context(), "explain "+query)
		if err != nil {
			t.Fatal(err)
		}
		var plan, index strings.Builder
		for rows.Next() {
			var line string
			if err := rows.Scan(&line); err != nil {
				t.Fatal(err)
			}
			plan.WriteString(line + "\n")
			if strings.Contains(line, "Index Cond:") {
				index.WriteString(line)
			}
		}
		rows.Close()
		for _, c := range conditions {
			if !strings.Contains(index.String(), c) {
				t.Errorf("%s: no index by %s\n%s", query, c, &plan)
			}
		}
	}
}
