package main

// raiseWays are the models told to speak at other probabilities, for the
// trade-off of delay against false alarms.
func raiseWays() []*way { return nil }
