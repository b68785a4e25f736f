package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"text/tabwriter"
	"time"

	"alkalog/server/report"
	"alkalog/server/serve"
)

// stateFileFlags are the files of one server beside its database. They are those that
// the server itself is started with, and have the same environment variables, so that
// the commands can be run in the environment of the server.
type stateFileFlags struct {
	StateFile      string `env:"ALKALOG_STATE_FILE" type:"path" placeholder:"FILE" help:"State file of the server."`
	CheckpointFile string `env:"ALKALOG_CHECKPOINT_FILE" type:"path" placeholder:"FILE" help:"Checkpoint file of the server. Default: checkpoints in --data-dir."`
	ErasureFile    string `env:"ALKALOG_ERASURE_FILE" type:"path" placeholder:"FILE" help:"Erasure file of the server. Default: erased in --data-dir."`
}

// into copies the flags into cfg.
func (f stateFileFlags) into(cfg *serve.Config) {
	cfg.StateFile, cfg.CheckpointFile, cfg.ErasureFile = f.StateFile, f.CheckpointFile, f.ErasureFile
}

// statusCommand prints the state of an installation. It reads the database and the files
// of one server and needs no running one; a private database must not be in use.
type statusCommand struct {
	databaseFlags
	stateFileFlags
	JSON bool `name:"json" help:"Print one JSON value."`
}

// Run prints the status as a table or as JSON. A problem that it shows is no error of
// the command: the exit code is 0 as long as the state could be read, so that a script
// can tell an unreachable database from a log that is halted. If the database cannot be
// read, what the files say is printed all the same.
func (c statusCommand) Run(ctx context.Context, std streams) error {
	cfg, err := c.reading()
	if err != nil {
		return err
	}
	c.into(&cfg)
	s, readErr := serve.ReadStatus(ctx, cfg)
	shown := statusOf(s)
	print := printStatus
	switch {
	case c.JSON:
		print = printJSON
	case readErr != nil:
		print = printFiles
	}
	if err := print(std, shown); err != nil {
		return err
	}
	if readErr != nil {
		return errors.New("the database could not be read")
	}
	return nil
}

// printJSON prints the status for programs. It has the same fields whether the database
// could be read or not, so that a script reads the field unreachable first and nothing else
// if it is not empty.
func printJSON(std streams, s shownStatus) error {
	encoder := json.NewEncoder(std.out)
	encoder.SetIndent("", "  ")
	return encoder.Encode(s)
}

// shownStatus is the JSON value of the command. Its names are those of the table.
type shownStatus struct {
	// Unreachable is why the database could not be read; empty: it was. What is not of the
	// files is empty then.
	Unreachable string `json:"unreachable"`
	// System is the system identifier of the database cluster. accept-restore wants it.
	System string `json:"system"`
	// Timeline rises with every promotion of a standby.
	Timeline int64 `json:"timeline"`
	// Address is that of the database server; empty: a local socket.
	Address string `json:"address"`
	// PostgreSQL is its version.
	PostgreSQL string `json:"postgresql"`
	// Schema is the version of the schema.
	Schema int64 `json:"schema"`
	// MinServerSchema is the oldest version whose servers may write; see migrate --finish.
	MinServerSchema int64 `json:"min_server_schema"`
	// SynchronousStandbys is the setting of PostgreSQL. If it is empty, an acknowledged
	// write is on one machine only.
	SynchronousStandbys string `json:"synchronous_standbys"`
	// Standbys is how many standbys are connected.
	Standbys int `json:"standbys"`
	// Epoch counts the leaders of the logs.
	Epoch int64 `json:"leader_epoch"`
	// Leader reports whether a server holds the lead now. Without one, entries wait.
	Leader bool `json:"leader"`
	// LeaderName is the host, address and process of the server that leads or led last.
	// Empty: it is of a version that does not say.
	LeaderName string `json:"leader_name"`
	// ReadOnly is why a server with these files would write nothing; empty: it would.
	ReadOnly string `json:"read_only"`
	// StateFile is the line of the state file: what a server has seen last.
	StateFile string `json:"state_file"`
	// CheckpointFile reports whether the logs were compared with a checkpoint file.
	CheckpointFile bool `json:"checkpoint_file"`
	// ErasedClients is how many clients the erasure file names; -1: there is no file.
	ErasedClients int `json:"erased_clients"`
	// Logs are ordered by chain; those without a single entry on the log come last.
	Logs []logStatus `json:"logs"`
}

// logStatus is the state of one log. Entries that wait are no fault: a leader takes them
// within a second. Their age is.
type logStatus struct {
	// Chain is the ID of the chain.
	Chain string `json:"chain"`
	// Entries is how many entries are on the log.
	Entries int64 `json:"entries"`
	// Waiting is how many are stored and not on the log yet, up to 10,000.
	Waiting int64 `json:"waiting"`
	// OldestSeconds is the age of the oldest of them.
	OldestSeconds float64 `json:"oldest_waiting_seconds"`
	// Problem says whether the log is halted, rolled back or damaged, and why.
	Problem string `json:"problem"`
}

// statusOf converts the status to what is printed.
func statusOf(s serve.Status) shownStatus {
	d := s.Database
	shown := shownStatus{Unreachable: s.Unreachable, System: d.System, Timeline: d.Timeline, Address: d.Address, PostgreSQL: d.Version, Schema: d.Schema, MinServerSchema: d.Least,
		SynchronousStandbys: d.SynchronousStandbys, Standbys: d.Standbys, Epoch: d.Epoch, Leader: d.Leads, LeaderName: d.Leader,
		ReadOnly: s.ReadOnly, StateFile: s.StateFile, CheckpointFile: s.CheckpointFile, ErasedClients: s.ErasureFile, Logs: []logStatus{}}
	for _, l := range s.Logs {
		problem := ""
		for _, p := range []struct{ what, why string }{{"halted", l.Halted}, {"rolled back", l.RolledBack}, {"damaged", l.Damaged}} {
			if p.why != "" {
				problem = p.what + ": " + p.why
			}
		}
		shown.Logs = append(shown.Logs, logStatus{l.Chain, l.Size, l.Pending, l.Lag.Seconds(), problem})
	}
	return shown
}

// statusTable prints a line for each fact: what it is, and what it says. Texts from the
// database are made safe for a terminal.
type statusTable struct{ *tabwriter.Writer }

// newStatusTable makes a table that is printed by Flush. Lines are added in the order in
// which an operator asks: is the database there, may it be written, who leads, what do the
// files say; the logs come last, because there may be thousands of them.
func newStatusTable(std streams) statusTable {
	return statusTable{tabwriter.NewWriter(std.out, 0, 0, 2, ' ', 0)}
}

// row adds a line.
func (t statusTable) row(what, format string, args ...any) {
	fmt.Fprintf(t, "%s\t%s\n", report.Visible(what), report.Visible(fmt.Sprintf(format, args...)))
}

// files adds the lines about the files of the server. compared is what became of the
// checkpoint file, if there is one.
func (t statusTable) files(s shownStatus, compared string) {
	t.row("state file", "%s", cmp.Or(s.StateFile, "none"))
	if !s.CheckpointFile {
		compared = "none"
	}
	t.row("checkpoint file", "%s", compared)
	erased := "none"
	if s.ErasedClients >= 0 {
		erased = fmt.Sprintf("%d clients", s.ErasedClients)
	}
	t.row("erasure file", "%s", erased)
}

// printStatus prints the status for people: a line for each fact of the installation,
// then a line for each log.
func printStatus(std streams, s shownStatus) error {
	t := newStatusTable(std)
	t.row("database", "system %s, timeline %d, PostgreSQL %s at %s", s.System, s.Timeline, s.PostgreSQL, cmp.Or(s.Address, "a local socket"))
	t.row("schema", "version %d; servers of version %d or newer may write", s.Schema, s.MinServerSchema)
	t.row("standbys", "%d connected; synchronous: %s", s.Standbys, cmp.Or(s.SynchronousStandbys, "none"))
	name := cmp.Or(s.LeaderName, "a server that does not say its name")
	switch {
	case s.Leader:
		t.row("logs are led by", "%s, epoch %d", name, s.Epoch)
	case s.Epoch == 0:
		t.row("logs are led by", "nobody, and never were")
	default:
		t.row("logs are led by", "nobody; last by %s, epoch %d", name, s.Epoch)
	}
	t.row("writes", "%s", cmp.Or(s.ReadOnly, "allowed"))
	t.files(s, "compared with the logs")
	for _, l := range s.Logs {
		oldest := time.Duration(l.OldestSeconds * float64(time.Second)).Round(time.Second)
		t.row("log of "+l.Chain, "%d entries, %d waiting, the oldest for %v; %s", l.Entries, l.Waiting, oldest, cmp.Or(l.Problem, "no problem"))
	}
	return t.Flush()
}

// printFiles prints for people what is known without the database, and what to do. It
// says that a running server needs no restart, because that is what people do first, and
// what makes it worse: tills then lose their watches as well.
func printFiles(std streams, s shownStatus) error {
	t := newStatusTable(std)
	t.row("database", "%s", s.Unreachable)
	t.row("writes", "none while the database cannot be reached: tills keep what happens and send it later")
	t.files(s, "there; not compared")
	t.row("next", "start PostgreSQL or mend the way to it, and run this command again; a server that runs needs no restart")
	return t.Flush()
}

// acceptRestoreCommand accepts a database that is older than what a server has seen.
// Without --confirm it only shows what would be given up.
//
// The files must be those of the server that is read-only. Servers that have seen
// different checkpoints want an acceptance each, because each entry names exactly the
// checkpoint that the log does not continue: run the command once with the files of
// every server. One whose checkpoint was accepted already shows nothing to accept.
//
// The system identifier has to be copied from the output of the first run, so that
// nobody accepts the loss of another database than the one that they have looked at.
type acceptRestoreCommand struct {
	databaseFlags
	stateFileFlags
	Operator string `placeholder:"operators/NAME" help:"Who accepts; stays on the audit log for ever."`
	Reason   string `placeholder:"TEXT" help:"Why the database is older, 20 to 500 characters without personal data; stays on the audit log for ever."`
	Confirm  string `placeholder:"SYSTEM" help:"The system identifier that the command shows without this flag: yes, these entries are given up."`
}

// operatorName is the form of an operator's resource name.
var operatorName = regexp.MustCompile(`^operators/[a-z0-9][a-z0-9-]{0,62}$`)

// Run shows what is lost, and accepts it if that is confirmed. Running servers notice
// the acceptance within a second.
func (c acceptRestoreCommand) Run(ctx context.Context, std streams) error {
	cfg, err := c.reading()
	if err != nil {
		return err
	}
	if c.Confirm != "" && (!operatorName.MatchString(c.Operator) || len(c.Reason) < 20) {
		return usage{errors.New("--confirm needs --operator operators/NAME and --reason of at least 20 characters")}
	}
	c.into(&cfg)
	r, err := serve.AcceptRestore(ctx, cfg, c.Operator, c.Reason, c.Confirm)
	if err != nil {
		return err
	}
	if len(r.Logs) == 0 {
		fmt.Fprintln(std.out, "The logs continue the last checkpoints: there is nothing to accept.")
		return nil
	}
	for _, l := range r.Logs {
		fmt.Fprintf(std.out, "%s: %s\n", report.Visible("chains/"+l.Chain), report.Visible(l.RolledBack))
	}
	fmt.Fprintf(std.out, "erased clients whose keys are back and are destroyed again by the server: %d\n", r.ErasedAgain)
	if len(r.Accepted) == 0 {
		fmt.Fprintf(std.err, "Nothing was accepted. To give up what is missing, repeat the command with --operator, --reason and --confirm %s\n", r.System)
		return usage{errors.New("not confirmed")}
	}
	for _, e := range r.Accepted {
		fmt.Fprintf(std.out, "accepted: %s\n", report.Visible(e.Name))
	}
	return nil
}
