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

// verdictFlags say how a verdict is written.
type verdictFlags struct {
	Against string        `type:"path" placeholder:"FILE" help:"A checkpoint of the same log that was kept from before, such as the file checkpoint of an earlier copy. Only this shows a history that was made up anew by whoever holds the log's key."`
	Keys    string        `type:"path" placeholder:"FILE" help:"Public keys of the log that you were given in another way than with the copy, one a line. The checkpoint must be signed by one of them, or by a key that they vouch for."`
	Output  report.Format `enum:"table,json" default:"table" placeholder:"FORM" help:"table (plain words) or json."`
}

// trust reads the checkpoint from before and the keys, as far as they were given.
func (f verdictFlags) trust() (verify.TrustedInput, error) {
	var trust verify.TrustedInput
	var err error
	if f.Against != "" {
		if trust.Against, err = os.ReadFile(f.Against); err != nil {
			return trust, err
		}
	}
	if f.Keys == "" {
		return trust, nil
	}
	text, err := os.ReadFile(f.Keys)
	if trust.Keys = strings.Fields(string(text)); err == nil && len(trust.Keys) == 0 {
		err = usage{fmt.Errorf("--keys %s: there is no key in it", f.Keys)}
	}
	return trust, err
}

// verificationFailed is the error of a copy that does not hold.
type verificationFailed struct{ error }

// ExitCode is that of a verification that came out false.
func (verificationFailed) ExitCode() int { return 3 }

// tell writes the verdict, and returns an error when the copy does not hold.
func (f verdictFlags) tell(out io.Writer, dir string, verdict verify.Report) error {
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
		return verificationFailed{fmt.Errorf("%s is what was signed; in the database, search columns of %d entries do not say what the entries say", dir, verdict.Mismatched)}
	case verdict.Valid():
		return nil
	}
	return verificationFailed{fmt.Errorf("%s is not what was signed: %s", dir, report.Visible(verdict.Faults[0].String()))}
}

// verdictText is a verdict in plain words.
func verdictText(dir string, v verify.Report) string {
	var text strings.Builder
	line := func(format string, args ...any) {
		text.WriteString(report.Visible(fmt.Sprintf(format, args...)) + "\n")
	}
	if v.Valid() {
		line("HOLDS  %s: %d entries are what was signed, each in its place", dir, v.Size)
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
		line("DATABASE  search columns of %d entries do not say what the entries say; lists by filter and figures may be wrong about them", v.Mismatched)
	}
	for _, m := range v.Mismatches {
		line("  %s", m)
	}
	if v.Log != "" { // its checkpoint could be read
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

// kindText is the name of a kind of entries in words, "override denied".
func kindText(name string) string {
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(name, "ENTRY_KIND_"), "_", " "))
}

// auditVerifyCommand verifies a copy, or the records of a database.
type auditVerifyCommand struct {
	verdictFlags
	clientFlags
	Live bool   `help:"Also compare the copy with a server or a database (--address, --data-dir, --database): whether its log still begins as the copy does, each entry is on record, and search columns say what the entries say."`
	Dir  string `arg:"" optional:"" type:"path" help:"The copy."`

	Records bool   `help:"Verify a database and not a copy: every entry is what was signed, and every record is what was stored. Needs --database and --keys-dir, or --data-dir while no server runs on it."`
	Chain   string `placeholder:"CHAIN" help:"With --records: this chain only. Default: all."`
}

// Validate is called by the parser.
func (c auditVerifyCommand) Validate() error {
	if c.Records == (c.Dir != "") {
		return errors.New("give either a copy to verify or --records")
	}
	return nil
}

// Run verifies.
func (c auditVerifyCommand) Run(ctx context.Context, std streams) error {
	if c.Records {
		return c.verifyRecords(ctx, std)
	}
	trust, err := c.trust()
	if err != nil {
		return err
	}
	tell, told := progress(std, "verified")
	verdict, err := verify.DirProgress(c.Dir, trust, func(done, of int64) error { tell(done, of); return ctx.Err() })
	told()
	if err != nil {
		return err
	}
	err = c.tell(std.out, c.Dir, verdict)
	if !c.Live || verdict.Log == "" {
		return err
	}
	return errors.Join(err, c.compare(ctx, std, verdict.Log[strings.LastIndexByte(verdict.Log, '/')+1:]))
}

// compare copies the log of the chain anew, into a directory that is removed
// afterwards, and verifies that copy against the checkpoint of the other.
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
	return c.tell(std.out, "the log as it is on record now", verdict)
}

// auditExportCommand copies a log.
type auditExportCommand struct {
	clientFlags
	verdictFlags
	Chain    string        `arg:"" help:"The chain, such as chains/ebb."`
	Out      string        `required:"" type:"path" placeholder:"DIR" help:"Where to put the copy: a directory that is empty or does not exist."`
	Also     report.Format `enum:",csv,ndjson" default:"" placeholder:"FORM" help:"Write the entries in readable form beside the copy, as DIR.csv or DIR.ndjson. That file is for reading; what is verified is the copy."`
	Patience time.Duration `default:"1m" help:"How long to wait for a server that went away in the middle."`
}

// Run copies, verifies, and says what came of it.
func (c auditExportCommand) Run(ctx context.Context, std streams) error {
	trust, err := c.trust()
	if err != nil {
		return err
	}
	chain := chainName(c.Chain)
	tell, told := progress(std, "entries")
	log := client.LogCopier{Chain: chain, Against: trust.Against, Keys: trust.Keys, Timeout: c.Patience, Progress: tell}
	var verdict verify.Report
	err = c.with(ctx, std, chain, "auditor", func(conn *grpc.ClientConn) (err error) {
		log.Client = pb.NewAuditServiceClient(conn)
		verdict, err = c.copy(ctx, log)
		return err
	})
	told()
	if err != nil {
		return err
	}
	return c.tell(std.out, c.Out, verdict)
}

// copy copies, with a readable form beside if that is wanted.
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

// errStopped says that the readable form could not be written on.
var errStopped = errors.New("the readable form could not be written")
