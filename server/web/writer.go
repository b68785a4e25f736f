package web

import (
	"encoding/json"
	"net/http"
	"sync/atomic"
	"time"
)

// countedWriter writes an answer to the client. While the client does not read it,
// its bytes count as unsent, and after a time the write fails. It is below the
// transcoder, which holds a whole answer of JSON until the call has ended, so that what
// is counted here is what the client has still to take.
type countedWriter struct {
	http.ResponseWriter
	controller *http.ResponseController
	body       *body // of the request
	stalled    time.Duration
	counts     atomic.Pointer[[]*atomic.Int64]
	begun      bool
}

// WriteHeader begins the answer, when the body of the request is settled: net/http
// decides by the headers whether the connection is used again.
func (w *countedWriter) WriteHeader(status int) {
	if !w.begun {
		w.begun = true
		w.body.settle(w.Header(), w.controller.SetReadDeadline)
	}
	w.ResponseWriter.WriteHeader(status)
}

// Write writes and counts.
func (w *countedWriter) Write(p []byte) (int, error) {
	if !w.begun {
		w.WriteHeader(http.StatusOK)
	}
	if counts := w.counts.Load(); counts != nil {
		for _, count := range *counts {
			count.Add(int64(len(p)))
			defer count.Add(-int64(len(p)))
		}
	}
	defer w.limit()()
	return w.ResponseWriter.Write(p)
}

// Flush sends what is buffered, and waits for the client as Write does.
func (w *countedWriter) Flush() {
	defer w.limit()()
	w.controller.Flush()
}

// limit sets the deadline of a write, and returns what removes it: over HTTP/2 a
// deadline that passes between two writes ends the stream too.
func (w *countedWriter) limit() (remove func()) {
	w.controller.SetWriteDeadline(time.Now().Add(w.stalled))
	return func() { w.controller.SetWriteDeadline(time.Time{}) }
}

// Unwrap returns the writer inside, for http.ResponseController.
func (w *countedWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }

// codes are the codes of google.rpc.Code for the statuses that the door itself gives. A
// client that reads the code of every error needs no second way to read these.
var codes = map[int]int{
	http.StatusBadRequest: 3, http.StatusForbidden: 7, http.StatusNotFound: 5, http.StatusMethodNotAllowed: 12,
	http.StatusMisdirectedRequest: 3, http.StatusUnsupportedMediaType: 3, http.StatusTooManyRequests: 8,
}

// refuse answers a request that reaches no method, as a google.rpc.Status in JSON like
// the errors of calls.
func refuse(w http.ResponseWriter, status int, problem string) {
	text, _ := json.Marshal(map[string]any{"code": codes[status], "message": problem})
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	w.Write(text)
}
