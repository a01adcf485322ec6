package console

import (
	"compress/gzip"
	"net"
	"net/http"
	"strings"

	"lamplighter/coordinator/heard"
)

// policy lets a page use what comes from here, and nothing else; not even style
// or script within the page itself.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; " +
	"manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// largestForm bounds what a browser may send: a fleet file and some more, as
// forms write it.
const largestForm = 4 << 20

// guard keeps strangers' pages from acting in a person's name, and pages of ours
// from loading anything of strangers.
func (c *Console) guard(next http.Handler) http.Handler {
	foreign := http.NewCrossOriginProtection()
	foreign.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { c.refuse(w, r, errForbidden) }))
	next = foreign.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		header := w.Header()
		header.Set("Content-Security-Policy", policy)
		header.Set("X-Content-Type-Options", "nosniff")
		header.Set("Referrer-Policy", "same-origin")
		header.Set("Cross-Origin-Opener-Policy", "same-origin")
		header.Set("Cache-Control", "no-store")
		if c.options.Access.LogIn() == "" && !ownName(r.Host) {
			// Without accounts a stranger's page could reach this listener through
			// a name of its own that it lets point here.
			http.Error(w, "Open the console by an address of this computer, such as http://localhost.", http.StatusMisdirectedRequest)
			return
		}
		largest := int64(largestForm)
		if r.URL.Path == "/heard" {
			largest = heard.MaxBytes + largestForm // what stands around a file
		}
		r.Body = http.MaxBytesReader(w, r.Body, largest)
		if r.URL.Path == "/live" || !strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
			next.ServeHTTP(w, r)
			return
		}
		header.Set("Content-Encoding", "gzip")
		header.Add("Vary", "Accept-Encoding")
		packed := gzip.NewWriter(w)
		defer packed.Close() //nolint:errcheck // the asker is gone
		next.ServeHTTP(&packing{w, packed}, r)
	})
}

// ownName says whether a host of a request is this computer, by its own names.
func ownName(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	ip := net.ParseIP(strings.Trim(host, "[]"))
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// packing compresses what is written.
type packing struct {
	http.ResponseWriter
	packed *gzip.Writer
}

// Unwrap is the answer itself, for those who set its deadlines.
func (p *packing) Unwrap() http.ResponseWriter { return p.ResponseWriter }

func (p *packing) Write(b []byte) (int, error) { return p.packed.Write(b) }

// WriteHeader takes the packing off where there is nothing to pack.
func (p *packing) WriteHeader(status int) {
	p.Header().Del("Content-Length")
	p.ResponseWriter.WriteHeader(status)
}
