// Package board is the screens: the fleet page with the time-left ruler, a
// page a machine with its strips, the alert list and each alert's history.
//
// It is the last stage of the flow and owns no facts. Everything it shows it
// reads, at the moment of asking, from the models, the history and the alert
// queue, through the small interfaces in source.go; everything a person does
// on it is one call to Alerts.
//
// # Time
//
// A page knows one now: Clock.Now, the pipeline's time. The browser's clock is
// never asked, so a demo that runs sixty times faster, or a phone whose clock
// is wrong, still shows true times. Times are written in the site's zone,
// because that is the clock on the wall next to the machine.
//
// # Live
//
// Pages are complete without a script. With it, the stream (stream.go) sends a
// part of the page again whenever its HTML has changed: the reader gets the
// same HTML a reload would give, and there is no second renderer to disagree.
//
// # Drawing
//
// The ruler and the strips are SVG drawn here, in Go, and not by a chart
// library in the browser: they print, they need no script, they can be
// compared in a test, and a week of readings leaves as a few kilobytes (see
// strip.go). The style rule "no inline style" of the content security policy
// is why positions are SVG attributes in per cent and never style attributes.
//
// # Nobody in
//
// There are no accounts yet, so the board listens on loopback only, answers
// only to host names it knows (against DNS rebinding), and takes a change only
// from a page of its own (against cross-site requests). See guard.go.
package board
