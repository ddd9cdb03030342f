// Package timeline draws what happened to a compression band as one SVG picture: the air
// in the band against time, and below it lanes of marks and a list in words.
//
// It knows time, shapes, words and where things fit. It must not know what any of it
// means: who calls it says which mark stands in which lane, and with which words.
//
// The picture is made for print on A4, black and white too: what differs, differs in shape
// or pattern. Nothing is loaded from anywhere. The same Picture gives the same bytes.
//
//	svg := timeline.Picture{Title: "Band", From: from, To: to, Air: levels}.SVG()
package timeline
