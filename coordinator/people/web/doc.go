// Package web knows people by their browsers.
//
// Whoever logs in by a form, or comes back from an OpenID provider, gets a cookie
// with the secret of a session. Identify puts who that is into the context of
// each request (package caller), where the services of package api find it;
// Require lets nobody else pass. A program shows a token instead:
// "Authorization: Bearer TOKEN", for /metrics and downloads.
//
// The cookie is not readable by scripts, is sent to this host alone, and not with
// requests that other sites cause, except when somebody follows a link here. Over
// TLS it is also bound to TLS, and its name begins with __Host-, which browsers
// enforce. A request from another site's page that would change something is
// refused by net/http's CrossOriginProtection, before anything else looks at it.
//
// Pages are the console's. The only one here is the form to log in and to choose
// a password, plain HTML without script or style, so that a person gets in
// whatever is wrong with the rest.
package web
