package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/client"
	"alkalog/server/report"
	"alkalog/server/verify"
)

// verdictFlags select the trusted input of a verification and how its verdict is
// written. A copy proves that it fits its checkpoint. Whether the checkpoint is
// the right one only an input from elsewhere can show: an earlier checkpoint or
// the keys.
type verdictFlags struct {
	Against string        `type:"path" placeholder:"PATH" help:"Earlier copy of the same log, or a file with an earlier checkpoint of it. Only an earlier checkpoint reveals a history that the holder of the log's key has rewritten and signed again."`
	Keys    string        `type:"path" placeholder:"FILE" help:"File with trusted public keys of the log, one a line, obtained independently of the copy. The checkpoint must be signed by one of them, or by a key that they vouch for."`
	Output  report.Format `enum:"table,json" default:"table" placeholder:"FORM" help:"Output format: table (text) or json."`
}

// trust reads the earlier checkpoint and the trusted keys, if they were given. An
// empty file of keys is wrong usage, since trusting nobody was hardly meant.
func (f verdictFlags) trust() (verify.TrustedInput, error) {
	var trust verify.TrustedInput
	var err error
	if f.Against != "" {
		file := f.Against
		if info, statErr := os.Stat(file); statErr == nil && info.IsDir() {
			file = filepath.Join(file, "checkpoint") // of an earlier copy
		}
		if trust.Against, err = os.ReadFile(file); err != nil {
			return trust, err
		}
	}
	if f.Keys == "" {
		return trust, nil
	}
	text, err := os.ReadFile(f.Keys)
	if trust.Keys = strings.Fields(string(text)); err == nil && len(trust.Keys) == 0 {
		err = usage{fmt.Errorf("--keys %s: the file has no keys", f.Keys)}
	}
	return trust, err
}

// verificationFailed is the error for a copy that is not valid. It is told apart
// from an error, so that a script can raise an alarm for it and not for a file
// that is missing.
type verificationFailed struct{ error }

// ExitCode returns 3, the exit code of a failed verification.
func (verificationFailed) ExitCode() int { return 3 }

// printVerdict writes the verdict and returns an error if the copy is not valid. Search
// columns that differ fail too: the log is right, but lists from this database
// are not. JSON has the whole report; the text has what a person needs.
func (f verdictFlags) printVerdict(out io.Writer, dir string, verdict verify.Report) error {
	var err error
	if f.Output == report.JSON {
		encoder := json.NewEncoder(out)
		encoder.SetIndent("", "  ")
		err = encoder.Encode(struct {
			Holds bool `json:"holds"`
			verify.Report
		}{verdict.Valid(), verdict})
	} else {
		_, err = io.WriteString(out, verdictText(dir, verdict))
	}
	switch {
	case err != nil:
		return err
	case verdict.Valid() && verdict.Mismatched > 0:
		return verificationFailed{fmt.Errorf("%s is valid; but in the database, the search columns of %d entries differ from the entries", dir, verdict.Mismatched)}
	case verdict.Valid():
		return nil
	}
	return verificationFailed{fmt.Errorf("%s is not valid: %s", dir, report.Visible(verdict.Faults[0].String()))}
}

// verdictText formats a verdict as text. The first word is the verdict. Notes say
// what the verification cannot show.
func verdictText(dir string, v verify.Report) string {
	var text strings.Builder
	line := func(format string, args ...any) {
		text.WriteString(report.Visible(fmt.Sprintf(format, args...)) + "\n")
	}
	if v.Valid() {
		line("HOLDS  %s: all %d entries are as signed and in place", dir, v.Size)
	} else {
		line("DOES NOT HOLD  %s", dir)
	}
	for _, fault := range v.Faults {
		line("  %s", fault)
	}
	if v.MoreFaults > 0 {
		line("  and %d more", v.MoreFaults)
	}
	if v.Mismatched > 0 {
		line("DATABASE  the search columns of %d entries differ from the entries; filtered lists and counts may be wrong about them", v.Mismatched)
	}
	for _, m := range v.Mismatches {
		line("  %s", m)
	}
	if v.Log != "" { // the checkpoint was readable
		line("log      %s", v.Log)
		line("root     %s", v.Root)
	}
	for _, key := range v.SignedBy {
		line("signed   %s", key)
	}
	if v.Earlier != nil {
		line("against  %d entries, root %s", v.Earlier.Size, v.Earlier.Root)
	}
	for _, kind := range slices.Sorted(maps.Keys(v.Kinds)) {
		line("  %7d  %s", v.Kinds[kind], kindText(kind))
	}
	for _, limit := range v.Limits {
		line("note     %s", limit)
	}
	return text.String()
}

// kindText is the name of an entry kind in words, such as "override denied". It
// needs no list, so kinds of a newer contract have a text, too.
func kindText(name string) string {
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(name, "ENTRY_KIND_"), "_", " "))
}

// auditVerifyCommand verifies a copy of a log, or the records of a database.
// Without --live and --records it reads nothing but the copy, so an auditor can
// run it on a machine of their own.
//
// There are three questions, each with its flags. Is this copy what was signed: a
// directory. Does the database still say so: a directory and --live. Are the
// records still what was stored: --records.
type auditVerifyCommand struct {
	verdictFlags
	clientFlags
	Live bool   `help:"Also compare the copy with a server or a database (--address, --data-dir, --database): the log must start with the copied entries, every entry must be in the database, and search columns must match the entries."`
	Dir  string `arg:"" optional:"" type:"path" help:"Directory of the copy."`

	Records bool   `help:"Verify a database instead of a copy: every entry must be as signed and every record as stored. Needs --database and --keys-dir, or --data-dir while no server runs on it."`
	Chain   string `placeholder:"CHAIN" help:"With --records: verify only this chain. Default: all chains."`
}

// Validate checks the combination of flags. The parser calls it.
func (c auditVerifyCommand) Validate() error {
	if c.Records == (c.Dir != "") {
		return errors.New("give either the directory of a copy or --records")
	}
	// In the environment of a server, the private database is hardly what is meant: a
	// verdict about another database than the one in use must not look like an answer.
	if c.Records && c.Database == "" && c.DataDir == "" && os.Getenv("ALKALOG_DATABASE") != "" {
		return errors.New(`ALKALOG_DATABASE is set, but this command does not read it: give --database "$ALKALOG_DATABASE", or --data-dir for a private database`)
	}
	return nil
}

// Run verifies the copy or the records. With --live the verdict on the copy comes
// first, and both are reported.
func (c auditVerifyCommand) Run(ctx context.Context, std streams) error {
	if c.Records {
		return c.verifyRecords(ctx, std)
	}
	trust, err := c.trust()
	if err != nil {
		return err
	}
	advance, finish := progress(std, "verified")
	verdict, err := verify.DirProgress(c.Dir, trust, func(done, of int64) error { advance(done, of); return ctx.Err() })
	finish()
	if err != nil {
		return err
	}
	err = c.printVerdict(std.out, c.Dir, verdict)
	if !c.Live || verdict.Log == "" {
		return err
	}
	return errors.Join(err, c.compare(ctx, std, verdict.Log[strings.LastIndexByte(verdict.Log, '/')+1:]))
}

// compare makes a new copy of the log in a temporary directory and verifies it
// against the checkpoint of the given copy. The new copy must continue the old
// one. The temporary directory is removed in every case.
func (c auditVerifyCommand) compare(ctx context.Context, std streams, chain string) (err error) {
	trust, err := c.trust()
	if err != nil {
		return err
	}
	if trust.Against, err = os.ReadFile(filepath.Join(c.Dir, "checkpoint")); err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "alkalog-live-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	log := client.LogCopier{Chain: chainName(chain), Against: trust.Against, Keys: trust.Keys}
	var verdict verify.Report
	err = c.with(ctx, std, log.Chain, "auditor", func(conn *grpc.ClientConn) (err error) {
		log.Client = pb.NewAuditServiceClient(conn)
		verdict, err = log.Copy(ctx, filepath.Join(dir, "copy"))
		return err
	})
	if err != nil {
		return err
	}
	return c.printVerdict(std.out, "the log as it is now in the database", verdict)
}

// auditExportCommand copies an audit log. The copy has the layout of C2SP
// tlog-tiles and can be verified offline, by other tools too.
//
// A copy is a directory: the checkpoint, the keys, the tiles and the entries. It
// is made in a new directory, so that a copy of yesterday is never mixed with one
// of today. Keep copies with their checkpoints: the next export can be verified
// against an earlier checkpoint with --against, which reveals a rewritten
// history.
type auditExportCommand struct {
	clientFlags
	verdictFlags
	Chain    string        `arg:"" help:"Resource name of the chain, such as chains/ebb."`
	Out      string        `required:"" type:"path" placeholder:"DIR" help:"Directory for the copy. It must be empty or not exist."`
	Also     report.Format `enum:",csv,ndjson" default:"" placeholder:"FORM" help:"Also write the entries in readable form, as DIR.csv or DIR.ndjson. Only the copy itself is verified."`
	Patience time.Duration `default:"1m" help:"How long to wait for an unavailable server before giving up, such as 30s or 5m."`
}

// Run copies the log, verifies the copy and writes the verdict. The copy is
// verified as it was written, from the disk.
func (c auditExportCommand) Run(ctx context.Context, std streams) error {
	trust, err := c.trust()
	if err != nil {
		return err
	}
	chain := chainName(c.Chain)
	advance, finish := progress(std, "entries")
	log := client.LogCopier{Chain: chain, Against: trust.Against, Keys: trust.Keys, Timeout: c.Patience, Progress: advance}
	var verdict verify.Report
	err = c.with(ctx, std, chain, "auditor", func(conn *grpc.ClientConn) (err error) {
		log.Client = pb.NewAuditServiceClient(conn)
		verdict, err = c.copy(ctx, log)
		return err
	})
	finish()
	if err != nil {
		return err
	}
	return c.printVerdict(std.out, c.Out, verdict)
}

// copy makes the copy and, if requested, the readable form. The readable form is
// written in the same pass and removed if it is incomplete. It is never
// overwritten.
func (c auditExportCommand) copy(ctx context.Context, log client.LogCopier) (verify.Report, error) {
	if c.Also == "" {
		return log.Copy(ctx, c.Out)
	}
	readable := filepath.Clean(c.Out) + "." + string(c.Also)
	file, err := os.OpenFile(readable, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return verify.Report{}, err
	}
	var verdict verify.Report
	// The sequence is driven by the copy: each entry that was copied is written
	// to the readable file, and an error of either side ends both.
	rows := func(yield func(*pb.AuditEntry, error) bool) {
		log.OnEntry = func(e *pb.AuditEntry) error {
			if !yield(e, nil) {
				return errStopped
			}
			return nil
		}
		if verdict, err = log.Copy(ctx, c.Out); err != nil && !errors.Is(err, errStopped) {
			yield(nil, err)
		}
	}
	err = errors.Join(entrySheet().Write(file, c.Also, iter.Seq2[*pb.AuditEntry, error](rows)), file.Sync(), file.Close())
	if err != nil {
		err = errors.Join(err, os.Remove(readable))
	}
	return verdict, err
}

// errStopped means that the readable form could not be written.
var errStopped = errors.New("cannot write the readable form")
