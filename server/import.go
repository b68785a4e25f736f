package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"google.golang.org/grpc"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/importer"
	"alkalog/server/report"
)

// importCommand imports a file of another system. A manager may, for the whole chain.
//
// It is done in three steps, each with the same file: a dry run, which stores nothing and
// names the lines that would be refused; the import; and, after lines were corrected, the
// import of the corrected file. Standard output has a line for each item that was refused and
// the counts at the end. The exit code is 0 if nothing was refused, 3 if something was and the
// rest is stored, 2 for a wrong command or mapping, and 1 if the import was cut off: the same
// command then continues it.
//
// It judges nothing by itself: what a line may say is for the server to decide, so a till that
// calls ImportRecords is told the same.
//
// The import's name is made from the
// content of the file, so the same file continues where it was interrupted, and a file that
// was corrected begins anew; what is stored already is not stored again.
type importCommand struct {
	clientFlags
	File      string `arg:"" type:"existingfile" help:"File to import: JSON of an ImportItem on each line, or CSV with --mapping."`
	Chain     string `required:"" placeholder:"chains/CHAIN" help:"Resource name of the chain."`
	System    string `required:"" placeholder:"NAME" help:"Short name of the system that the file comes from, of lower-case letters, digits and hyphens."`
	Mapping   string `type:"existingfile" placeholder:"FILE.yaml" help:"What the columns of a CSV file mean; see proto/INTEGRATING.md."`
	DryRun    bool   `help:"Judge the lines and store nothing."`
	FromStart bool   `help:"Begin at the first line, also if the file was imported before."`
	Report    string `type:"path" placeholder:"FILE.ndjson" help:"Append a line for each item to this file: line, outcome, name, field, problem. It holds no personal data."`
}

// refusedLines is the error for an import that was done and in which lines were refused.
type refusedLines struct{ error }

// ExitCode returns 3: the command has worked, and the data are not what they should be.
func (refusedLines) ExitCode() int { return 3 }

// The identity of an import is the content of the file, of the mapping and the system. So it
// needs no name that somebody could give twice, and no state of its own beside the server's:
// any machine with the file can continue it.
//
// A terminal shows the progress; the results are on standard output in any case, a line each,
// so that they can be kept.

// Run imports the file, prints the lines that were refused, and then the counts.
func (c importCommand) Run(ctx context.Context, std streams) error {
	id, lines, err := c.identify()
	if err != nil {
		return err
	}
	mapping, err := c.readMapping()
	if err != nil {
		return usage{err}
	}
	tell, closeReport, err := c.openReport(std)
	if err != nil {
		return err
	}
	counts := importer.Counts{}
	err = c.with(ctx, std, c.Chain, "manager", func(conn *grpc.ClientConn) error {
		o := importer.Options{Service: pb.NewImportServiceClient(conn), Chain: c.Chain, ID: id, System: c.System, DryRun: c.DryRun, Report: tell}
		if o.After, err = c.position(ctx, o); err != nil {
			return err
		}
		file, err := os.Open(c.File)
		if err != nil {
			return err
		}
		defer file.Close()
		o.Lines = importer.JSONLines(file)
		if mapping != nil {
			if o.Lines, err = importer.CSV(file, mapping); err != nil {
				return usage{err}
			}
		}
		if o.After > 0 {
			fmt.Fprintf(std.err, "continuing after line %d\n", o.After)
		}
		advance, finish := progress(std, "lines")
		o.Sent = func(line int64) { advance(line, lines) }
		counts, err = importer.Send(ctx, o)
		finish()
		return err
	})
	if err = errors.Join(err, closeReport()); err != nil {
		return err
	}
	stored := "stored"
	if c.DryRun {
		stored = "would be stored"
	}
	fmt.Fprintf(std.out, "import %s: %d lines; items %s: %d, there already: %d (saying something else than the file: %d), refused: %d\n",
		c.Chain+"/imports/"+id, counts.Lines, stored, counts.Created, counts.Existed, counts.Differing, counts.Refused)
	if counts.Refused > 0 {
		return refusedLines{errors.New("lines were refused; correct them and import the file again")}
	}
	return nil
}

// The same file of another system is another import: its ids mean other things there.

// identify returns the id of the import of the file, and how many lines the file has. The
// system and the mapping count: with another mapping, it is another import.
func (c importCommand) identify() (id string, lines int64, err error) {
	sum := sha256.New()
	fmt.Fprintf(sum, "%s\n", c.System)
	for _, path := range []string{c.Mapping, c.File} {
		if path == "" {
			continue
		}
		file, err := os.Open(path)
		if err != nil {
			return "", 0, err
		}
		defer file.Close()
		counter := &lineCounter{}
		if _, err := io.Copy(io.MultiWriter(sum, counter), file); err != nil {
			return "", 0, err
		}
		lines = counter.lines
	}
	return "f-" + hex.EncodeToString(sum.Sum(nil)[:12]), lines, nil
}

// The lines are counted for the progress only; a file that is still being written to is
// counted wrong and imported right.

// lineCounter counts the lines that are written to it.
type lineCounter struct{ lines int64 }

// Write implements io.Writer.
func (c *lineCounter) Write(b []byte) (int, error) {
	c.lines += int64(strings.Count(string(b), "\n"))
	return len(b), nil
}

// The name of a file decides nothing but this: who passes a CSV file and forgets the mapping
// is told, instead of getting an error for each line.

// readMapping reads the mapping; nil for a file of JSON lines. Its errors are errors of usage,
// and are found before anything is sent.
func (c importCommand) readMapping() (*importer.Mapping, error) {
	if c.Mapping == "" {
		if strings.EqualFold(filepath.Ext(c.File), ".csv") {
			return nil, errors.New("a CSV file needs --mapping")
		}
		return nil, nil
	}
	text, err := os.ReadFile(c.Mapping)
	if err != nil {
		return nil, err
	}
	m, err := importer.ReadMapping(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", c.Mapping, err)
	}
	return m, nil
}

// A dry run looks at the whole file each time. --from-start does too, and is safe: what is
// stored already is found by its external id. It is for the lines that were refused because
// something else was missing, such as a client who was entered by hand since. Without it, an
// import that came to its end begins and ends at once.

// position is the line after which to begin.
func (c importCommand) position(ctx context.Context, o importer.Options) (int64, error) {
	if c.DryRun || c.FromStart {
		return 0, nil
	}
	return importer.Position(ctx, o)
}

// The report is appended to, so that the reports of an import that was interrupted and of its
// continuation are in one file.

// openReport returns what is told the result of each item: it prints those that were
// refused, and appends all to the file of the report.
func (c importCommand) openReport(std streams) (tell func(importer.Result) error, done func() error, err error) {
	var file *os.File
	if c.Report != "" {
		if file, err = os.OpenFile(c.Report, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600); err != nil {
			return nil, nil, err
		}
	}
	tell = func(r importer.Result) error {
		if r.Problem != "" {
			where := strings.TrimSpace(r.Field + " " + r.Problem)
			fmt.Fprintf(std.out, "line %d: %s\n", r.Line, report.Visible(where))
		}
		if file == nil {
			return nil
		}
		text, err := json.Marshal(r)
		if err == nil {
			_, err = file.Write(append(text, '\n'))
		}
		return err
	}
	done = func() error {
		if file == nil {
			return nil
		}
		return errors.Join(file.Sync(), file.Close())
	}
	return tell, done, nil
}
