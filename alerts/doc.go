// Package alerts decides who does what about a finding: how urgent it is, what
// belongs together, and through which states an alert goes until the machine is
// well again. It is pure: no clock, no input or output, no goroutine. What is
// stored is in alerts/ledger, who is told is in alerts/notify.
//
// A finding's life here:
//
//  1. [Queue.Apply] takes a [detect.Finding]. It joins the open incident it
//     belongs to, or starts one.
//  2. [Rules.Assess] weighs it: the expected loss under each way of responding,
//     and the cheapest way names the [Priority].
//  3. One cause, one alert: silent or unpowered machines of one site that can
//     hardly be a coincidence become members of one alert (cause.go).
//  4. After the on-delay the incident opens an [Alert]; from then on only the
//     moves of the table in alert.go are legal.
//  5. [Queue.Advance] lets time pass: delays run out, shelving ends, time left
//     shrinks and the priority is weighed again.
//  6. The model clears the finding, the off-delay runs out, the alert returns to
//     normal; acknowledged, it is closed.
//
// Every step comes out as a [Change] (an alert moved) or a [Report] (a finding's
// line of the replay). Both are a function of the findings and the times passed
// in, so a replay gives what the live run gave.
package alerts
