// Package wspr turns messages into the symbols of a WSPR transmission, and
// back.
package wspr
