// Package workbench holds a web page that plays a till against the server that serves
// it: a client is taken in, the questions of the form are answered, the decision is
// shown, the service is timed, and the record card and the audit log are read.
//
// It is an example for vendors and a tool for those who develop alkalog. It calls as
// anybody it likes, so the server serves it with development identities only. It has
// no build step, no framework, and loads nothing from another place: the policy that
// the server sends with it allows its own files only.
//
// # What the files do
//
// server.js calls the server by JSON, keeps its time, and keeps facts until the server
// has them; form.js draws questions; service.js draws the clocks and the buttons of a
// service; app.js leads from one screen to the next.
//
// # Without a network
//
// A tap is stored in the browser before it is sent, with an id of its own and the time
// of the tap. Facts go out one batch after the other; a batch that is not answered is
// repeated with the same request id. The browser stores names of records and facts of
// the service, and no name of a client. The times of the service are absolute and come
// from the server, so that they stay true without it; only the time of day and the
// minutes since the first contact are counted by the page, on the browser's monotonic
// clock.
package workbench

import (
	"embed"
	"io/fs"
)

//go:embed page
var files embed.FS

// Page returns the files of the page, with index.html at the top.
func Page() fs.FS {
	page, err := fs.Sub(files, "page")
	if err != nil {
		panic(err) // the directory is part of the program
	}
	return page
}
