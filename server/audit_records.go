package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"alkalog/server/report"
	"alkalog/server/serve"
)

// verifyRecords verifies a database and names every record that fails. It reads
// every record of the database and opens the sealed ones, so it needs the
// server's keys and takes long. It changes nothing.
//
// Missing triggers, wrong privileges and changed, deleted or inserted records are
// faults. Each is named with the record that is concerned.
func (c auditVerifyCommand) verifyRecords(ctx context.Context, std streams) error {
	cfg, err := databaseFlags{Database: c.Database, DataDir: c.DataDir, KeysDir: c.KeysDir, PGBin: c.PGBin}.reading()
	if err != nil {
		return err
	}
	only, faults := "", 0
	if c.Chain != "" {
		only = chainName(c.Chain)
	}
	verdict := recordsReport{Chains: []chainReport{}}
	err = serve.VerifyRecords(ctx, cfg, only, func(name string, entries int64, found []string) {
		verdict.Chains = append(verdict.Chains, chainReport{name, entries, found})
		faults += len(found)
	})
	if err != nil {
		return err
	}
	if verdict.Holds = faults == 0; c.Output == report.JSON {
		encoder := json.NewEncoder(std.out)
		encoder.SetIndent("", "  ")
		err = encoder.Encode(verdict)
	} else {
		_, err = io.WriteString(std.out, verdict.text())
	}
	if err != nil || verdict.Holds {
		return err
	}
	return verificationFailed{fmt.Errorf("the records differ from what was stored: %d faults", faults)}
}

// recordsReport is the verdict on the records of a database. Chains are in the
// order in which they were verified. The guards of the database itself, if any
// are missing, come first.
type recordsReport struct {
	Holds  bool          `json:"holds"`
	Chains []chainReport `json:"chains"`
}

// chainReport is the verdict on one chain. Faults are texts for people, and null
// in JSON if there are none.
type chainReport struct {
	Chain   string   `json:"chain"`
	Entries int64    `json:"entries"` // on its log
	Faults  []string `json:"faults"`
}

// text formats the verdict. It ends with what cannot be detected.
func (r recordsReport) text() string {
	var text strings.Builder
	for _, c := range r.Chains {
		if len(c.Faults) == 0 {
			fmt.Fprintf(&text, "HOLDS  %s: %d entries are as signed, and the records that they cover are as stored\n", report.Visible(c.Chain), c.Entries)
			continue
		}
		fmt.Fprintf(&text, "DOES NOT HOLD  %s\n", report.Visible(c.Chain))
		for _, fault := range c.Faults {
			fmt.Fprintln(&text, "  "+report.Visible(fault))
		}
	}
	text.WriteString("note     Records are covered some seconds after they are stored; a change before that is not detected.\n")
	return text.String()
}
