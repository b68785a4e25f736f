package faults

import (
	"bufio"
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"
)

// outcome is what a caller knows of a call when it has ended.
type outcome string

const (
	// acknowledged means that the server has answered.
	acknowledged outcome = "ok"
	// refused means that the server has said that it did nothing.
	refused outcome = "refused"
	// unknown means that the call may have been carried out or not.
	unknown outcome = "unknown"
)

// op is one attempt of a call. Attempts with the same request ID are one call.
//
// The first part is written before the call is sent, the second after it has ended.
// An op of which only the first part was written has an unknown outcome.
type op struct {
	ID       string        `json:"id"` // of the attempt
	Worker   string        `json:"worker,omitempty"`
	Caller   string        `json:"caller,omitempty"` // development identity
	Chain    string        `json:"chain,omitempty"`
	Target   string        `json:"target,omitempty"` // address of the server
	Method   string        `json:"method,omitempty"`
	Key      string        `json:"key,omitempty"` // the contended record, if it is about one
	Request  string        `json:"request_id,omitempty"`
	Digest   string        `json:"digest,omitempty"`  // SHA-256 of the request
	Body     []byte        `json:"body,omitempty"`    // the request, if it changes something
	Altered  bool          `json:"altered,omitempty"` // another body under the ID of an acknowledged call
	Limit    time.Duration `json:"limit,omitempty"`   // deadline of the call
	Call     time.Duration `json:"call,omitempty"`    // since the origin of the run
	Expected string        `json:"expected,omitempty"`
	Wrote    string        `json:"wrote,omitempty"` // value that the call gives the contended record

	Return    time.Duration `json:"return,omitempty"` // since the origin; 0: never
	Outcome   outcome       `json:"outcome,omitempty"`
	Code      string        `json:"code,omitempty"`
	Reason    string        `json:"reason,omitempty"`
	Message   string        `json:"message,omitempty"`
	Answer    string        `json:"answer,omitempty"` // SHA-256 of the answer without fields of one attempt
	Names     []string      `json:"names,omitempty"`  // of the records in the answer
	Read      string        `json:"read,omitempty"`   // value of the contended record in the answer
	Verdict   string        `json:"verdict,omitempty"`
	Decision  string        `json:"decision,omitempty"`  // that a session rests on
	Sequence  int64         `json:"sequence,omitempty"`  // of the session's state in the answer
	Size      int64         `json:"size,omitempty"`      // of the log, by the checkpoint in the answer
	Root      string        `json:"root,omitempty"`      // of the log, in base64
	Receipt   string        `json:"receipt,omitempty"`   // entry whose place on the log was proven
	Place     int64         `json:"place,omitempty"`     // of that entry
	Stream    []int64       `json:"stream,omitempty"`    // sequences or indexes of the messages of a stream
	After     int64         `json:"after,omitempty"`     // what the resume token stood for
	Complaint string        `json:"complaint,omitempty"` // what the client itself found wrong
}

// journal is the history of one client process: a line before a call is sent and a
// line after it has ended, each on disk before the process goes on.
type journal struct {
	mu      sync.Mutex
	file    *os.File
	pending bytes.Buffer
	flushed *sync.Cond
	written int64 // lines in the buffer or on disk
	durable int64 // lines on disk
	syncing bool
	err     error
}

// openJournal creates the file of a journal.
func openJournal(path string) (*journal, error) {
	file, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		return nil, err
	}
	j := &journal{file: file}
	j.flushed = sync.NewCond(&j.mu)
	return j, nil
}

// write appends a line and returns when it is on disk. Lines of several workers that
// come meanwhile are synced together.
func (j *journal) write(o op) error {
	line, err := json.Marshal(o)
	if err != nil {
		return err
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	j.pending.Write(append(line, '\n'))
	j.written++
	mine := j.written
	for j.durable < mine && j.err == nil {
		if j.syncing {
			j.flushed.Wait()
			continue
		}
		j.flush()
	}
	return j.err
}

// flush writes and syncs what is pending. The lock is not held meanwhile.
func (j *journal) flush() {
	j.syncing = true
	batch, upTo := bytes.Clone(j.pending.Bytes()), j.written
	j.pending.Reset()
	j.mu.Unlock()
	_, err := j.file.Write(batch)
	err = errors.Join(err, j.file.Sync())
	j.mu.Lock()
	j.syncing, j.durable, j.err = false, upTo, errors.Join(j.err, err)
	j.flushed.Broadcast()
}

// close closes the file.
func (j *journal) close() error { return j.file.Close() }

// trial is what all processes of a history have in common.
type trial struct {
	Seed   uint64    `json:"seed"`
	Origin time.Time `json:"origin"`
	Chains []string  `json:"chains"`
	// Healed is when everything worked again, since the origin; 0: nothing was broken.
	Healed time.Duration `json:"healed,omitempty"`
	// Ended is when the clients were stopped, since the origin.
	Ended time.Duration `json:"ended,omitempty"`
}

// history is everything that the clients of a run have done and seen, in the order of
// the calls.
type history struct {
	trial
	Dir string
	Ops []op
}

// readHistory reads the history in a directory.
func readHistory(dir string) (history, error) {
	h := history{Dir: dir}
	if err := readJSON(filepath.Join(dir, "run.json"), &h.trial); err != nil {
		return h, err
	}
	files, err := filepath.Glob(filepath.Join(dir, "*.jsonl"))
	if err != nil {
		return h, err
	}
	for _, path := range files {
		ops, err := readOps(path)
		if err != nil {
			return h, fmt.Errorf("%s: %w", path, err)
		}
		h.Ops = append(h.Ops, ops...)
	}
	slices.SortStableFunc(h.Ops, func(a, b op) int { return cmp.Compare(a.Call, b.Call) })
	return h, nil
}

// readOps reads a journal and joins the two lines of each op. The last line may be cut
// short, if the process was killed while it wrote.
func readOps(path string) ([]op, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	var ops []op
	index := map[string]int{}
	lines := bufio.NewReaderSize(file, 1<<20)
	for {
		line, err := lines.ReadBytes('\n')
		if errors.Is(err, io.EOF) {
			return ops, nil
		}
		if err != nil {
			return nil, err
		}
		var id struct {
			ID string `json:"id"`
		}
		if err := json.Unmarshal(line, &id); err != nil {
			return nil, err
		}
		at, known := index[id.ID]
		if !known {
			at = len(ops)
			index[id.ID] = at
			ops = append(ops, op{Outcome: unknown})
		}
		// The second line adds its fields to those of the first.
		if err := json.Unmarshal(line, &ops[at]); err != nil {
			return nil, err
		}
	}
}

// readJSON and writeJSON store a value in a file.
func readJSON(path string, into any) error {
	text, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	return json.Unmarshal(text, into)
}

func writeJSON(path string, value any) error {
	text, err := json.Marshal(value)
	if err != nil {
		return err
	}
	return os.WriteFile(path, text, 0o600)
}
