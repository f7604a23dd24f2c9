// Package roads asks a server for travel times and distances by road, many to
// many, and keeps the answers for a while.
//
// A request is a POST of JSON; places are [longitude, latitude] in degrees,
// WGS 84, in the order of GeoJSON (RFC 7946):
//
//	{"from": [[-79.99, 40.44], …], "to": [[-79.92, 40.46], …]}
//
// The answer has a row for each place of from, and in it a number for each of
// to; null where there is no way:
//
//	{"seconds": [[412.5, …], …], "metres": [[5120, …], …]}
//
// A server that takes its places in the address instead is asked with a GET
// when the URL has placeholders: {from} and {to} are lists "lon,lat;lon,lat",
// {places} is both lists one after the other, {from_index} and {to_index} are
// the places' numbers among {places}, "0;1;2". Any server of road times can be
// put behind an adapter that does this.
//
// A server that does not answer, or answers wrong, never stops the planning:
// what is not known by road is estimated along the great circle, and the table
// says so.
package roads
