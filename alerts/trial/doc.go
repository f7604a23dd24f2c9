// Package trial says what other settings would have done to the alerts of past
// days: the same readings go through the same pipeline twice, under the settings
// in use and under the proposed ones, and what people would have been told is laid
// side by side.
//
// The package compares; it replays nothing itself. The pipeline is handed in as a
// function, so that a trial cannot differ from what the daemon does. Nobody
// acknowledges anything in a trial, and nobody is asked a second time: what is
// counted is what the machines alone would have caused.
package trial
