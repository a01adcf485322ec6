// Package rewrite changes what the text of a YAML file says and leaves the rest
// as it was written: comments, order, quotes, blank lines.
//
// Read gives what a text says as a tree of plain values. To is given the text
// and the tree that it is to say, walks the text's syntax tree beside it, and
// edits only where the two differ: a value is replaced in its place, a key or an
// entry goes in behind the one before it or out with its line. The comment at
// the end of a line stays with what stands before it. Lines of comment right
// above an entry of a list go out with it, but for the first entry, above which
// something may be said of all.
//
// The places are those of the syntax tree's tokens, which are checked against
// the text, and the result is read again: it says exactly what it was to say, or
// there is no result but ErrByHand. So a form of YAML that is not thought of here
// can't spoil a file.
//
// The text is one that its reader has taken already, so that its size and depth
// are bounded; what aliases stand for is bounded here.
package rewrite
