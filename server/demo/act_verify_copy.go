package demo

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/client"
	"alkalog/server/verify"
)

// takeCheckpoint is the auditor getting a checkpoint early in the day. The log is
// compared with it later. A copy of the whole log can be made later by anybody;
// only a checkpoint that was kept outside shows that nothing was rewritten since.
func (d *run) takeCheckpoint() []byte {
	d.page.say("Vesna is an external auditor of the chain. She saves the checkpoint of the audit log, a few lines of signed text.")
	d.waitLogged()
	head := call(d, d.people.auditor, d.auditing.GetCheckpoint, &pb.GetCheckpointRequest{Name: ebb})
	d.page.answer("a checkpoint of %d entries, signed by the log's key", head.GetTreeSize())
	d.expect(head.GetTreeSize() > 0 && len(head.GetKeys()) == 1, "the checkpoint stands for entries and is signed by one key")
	return []byte(head.GetCheckpoint())
}

// waitLogged waits until all entries are on the log, which takes about a second.
// Entries are stored with the write that caused them, and put on the signed log a
// moment later.
func (d *run) waitLogged() {
	recorded := int64(len(d.entries(d.people.manager, "")))
	d.waitFor("what was recorded is on the log", func() (bool, error) {
		ctx, cancel := context.WithTimeout(d.people.manager.identify(d.ctx), callTimeout)
		defer cancel()
		head, err := d.auditing.GetCheckpoint(ctx, &pb.GetCheckpointRequest{Name: ebb})
		if status.Code(err) == codes.FailedPrecondition { // no entry is on the log yet
			err = nil
		}
		return head.GetTreeSize() >= recorded, err
	})
}

// waitFor polls until a condition holds. It waits in real time, because the log
// does not follow the simulated clock.
func (d *run) waitFor(what string, so func() (bool, error)) {
	const pause = 20 * time.Millisecond
	for began := time.Now(); !d.failed(); {
		done, err := so()
		if done && err == nil {
			return
		}
		if err != nil {
			d.fail(err)
		}
		d.expect(time.Since(began) < callTimeout, "%s within %v", what, callTimeout)
		select {
		case <-time.After(pause):
		case <-d.ctx.Done():
			d.fail(d.ctx.Err())
		}
	}
}

// verifyCopy copies the log, verifies the copy against the earlier checkpoint, and
// shows the verdict on a changed copy. The check needs no server and no database. A
// single changed letter must be found and named, and what verification cannot show
// is said as well.
func (d *run) verifyCopy(kept []byte) {
	d.page.act("A copy that cannot be changed unseen")
	d.page.say("Vesna copies the whole log into a directory of her own and verifies the copy offline against the checkpoint that she saved in the morning.")
	d.waitLogged()
	dir, err := os.MkdirTemp("", "alkalog-copy-")
	if err != nil {
		d.fail(err)
		return
	}
	defer func() {
		if err := os.RemoveAll(dir); err != nil {
			d.fail(err)
		}
	}()
	honest, touched := filepath.Join(dir, "copy"), filepath.Join(dir, "touched")
	if !d.export(honest, kept) {
		return
	}
	d.page.say("Then somebody changes one letter of the reason for Imara's override in a second copy.")
	if err := errors.Join(os.CopyFS(touched, os.DirFS(honest)), changeLetter(touched, "STRAND_TEST_SOUND")); err != nil {
		d.fail(err)
		return
	}
	verdict, err := verify.Dir(touched, kept)
	if err != nil {
		d.fail(err)
		return
	}
	d.page.printVerdict(verdict)
	d.expect(len(verdict.Faults) == 1 && verdict.Faults[0].Index >= 0, "verification names the one entry that was changed, not %v", verdict.Faults)
	d.page.say("The verdict also lists what it does not cover.")
	for _, limit := range verdict.Limits {
		d.page.answer("%s", limit)
	}
}

// export copies the log, prints the verdict and reports whether the copy is valid.
// The copy is verified while it is made.
func (d *run) export(dir string, kept []byte) bool {
	if d.failed() {
		return false
	}
	ctx, cancel := context.WithTimeout(d.people.auditor.identify(d.ctx), callTimeout)
	defer cancel()
	verdict, err := client.LogCopier{Client: d.auditing, Chain: ebb, Against: kept, Timeout: callTimeout}.Copy(ctx, dir)
	if err != nil {
		d.fail(err)
		return false
	}
	d.page.printVerdict(verdict)
	d.expect(verdict.Valid() && verdict.Earlier != nil, "the copy holds against the checkpoint of the morning, without %v", verdict.Faults)
	return verdict.Valid()
}

// printVerdict prints a verdict. Each fault names the entry and the file.
func (p *page) printVerdict(v verify.Report) {
	if v.Valid() {
		p.answer("HOLDS: %d entries are what was signed, each in its place, the %d of the morning among them", v.Size, v.Earlier.Size)
		return
	}
	p.answer("DOES NOT HOLD")
	for _, fault := range v.Faults {
		p.detail("entry %d, in %s: %s", fault.Index, fault.File, fault.What)
	}
}

// changeLetter changes one letter of a word in the entries of a copy. One bit of it
// is flipped, so the file keeps its length and its form.
func changeLetter(dir, word string) error {
	var found error = errors.New("no entry of the copy has the word " + word)
	err := filepath.WalkDir(filepath.Join(dir, "tile", "entries"), func(path string, file fs.DirEntry, err error) error {
		if err != nil || file.IsDir() {
			return err
		}
		content, err := os.ReadFile(path)
		if at := bytes.Index(content, []byte(word)); err == nil && at >= 0 {
			content[at] ^= 1
			found, err = nil, os.WriteFile(path, content, 0o600)
		}
		return err
	})
	return errors.Join(err, found)
}
