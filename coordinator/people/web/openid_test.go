package web_test

import (
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"

	"lamplighter/coordinator/people"
	"lamplighter/coordinator/people/web"
	"lamplighter/coordinator/store"
)

// provider is an OpenID provider that says what a test wants.
type provider struct {
	*httptest.Server
	t      *testing.T
	key    *rsa.PrivateKey
	claims map[string]any // changed before they are signed
	signer *rsa.PrivateKey
	// from the last request for a log-in
	nonce, challenge string
}

func newProvider(t *testing.T) *provider {
	t.Helper()
	p := &provider{t: t, claims: map[string]any{}}
	var err error
	if p.key, err = rsa.GenerateKey(rand.Reader, 2048); err != nil {
		t.Fatal(err)
	}
	p.signer = p.key
	mux := http.NewServeMux()
	say := func(w http.ResponseWriter, value any) {
		w.Header().Set("Content-Type", "application/json")
		if err := json.NewEncoder(w).Encode(value); err != nil {
			t.Error(err)
		}
	}
	mux.HandleFunc("/.well-known/openid-configuration", func(w http.ResponseWriter, _ *http.Request) { // OpenID Connect Discovery 1.0, section 4
		say(w, map[string]any{
			"issuer": p.URL, "authorization_endpoint": p.URL + "/authorize", "token_endpoint": p.URL + "/token",
			"jwks_uri": p.URL + "/keys", "id_token_signing_alg_values_supported": []string{"RS256"},
		})
	})
	mux.HandleFunc("/keys", func(w http.ResponseWriter, _ *http.Request) {
		say(w, jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: p.key.Public(), KeyID: "k", Algorithm: "RS256", Use: "sig"}}})
	})
	mux.HandleFunc("/token", func(w http.ResponseWriter, r *http.Request) {
		sum := sha256.Sum256([]byte(r.FormValue("code_verifier"))) // RFC 7636, section 4.6
		if r.FormValue("code") != "a-code" || base64.RawURLEncoding.EncodeToString(sum[:]) != p.challenge {
			http.Error(w, `{"error":"invalid_grant"}`, http.StatusBadRequest)
			return
		}
		say(w, map[string]any{"access_token": "x", "token_type": "Bearer", "id_token": p.token()})
	})
	p.Server = httptest.NewServer(mux)
	t.Cleanup(p.Close)
	return p
}

// token is the signed word of who somebody is.
func (p *provider) token() string {
	claims := map[string]any{
		"iss": p.URL, "aud": "us", "sub": "subject-7", "nonce": p.nonce,
		"iat": time.Now().Unix(), "exp": time.Now().Add(time.Minute).Unix(),
	}
	for name, value := range p.claims {
		claims[name] = value
	}
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.RS256, Key: jose.JSONWebKey{Key: p.signer, KeyID: "k"}}, nil)
	if err != nil {
		p.t.Fatal(err)
	}
	text, err := json.Marshal(claims)
	if err != nil {
		p.t.Fatal(err)
	}
	signed, err := signer.Sign(text)
	if err != nil {
		p.t.Fatal(err)
	}
	compact, err := signed.CompactSerialize()
	if err != nil {
		p.t.Fatal(err)
	}
	return compact
}

// Somebody comes back from the provider: only the right word, to the right
// browser, of somebody with an account, lets them in.
func TestLogInThroughAnOpenIDProvider(t *testing.T) {
	another, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	p := newProvider(t)
	s := serve(t, web.Options{OpenID: &web.OpenID{Issuer: p.URL, ClientID: "us", ClientSecret: "s", PublicURL: "https://lamp.example"}})
	subject := "subject-7"
	if err := s.store.AddAccount(t.Context(), store.Account{Name: "olga", Role: people.Viewer, Issuer: &p.URL, Subject: &subject}); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		change func(p *provider)
		query  func(q url.Values)
		want   int
		says   string
	}{
		"as it should be":     {nil, nil, 303, ""},
		"nobody with account": {func(p *provider) { p.claims["sub"] = "subject-8" }, nil, 403, "--openid subject-8"},
		"another audience":    {func(p *provider) { p.claims["aud"] = "them" }, nil, 422, "did not let you in"},
		"another issuer":      {func(p *provider) { p.claims["iss"] = "https://elsewhere.example" }, nil, 422, "did not let you in"},
		"a nonce from before": {func(p *provider) { p.claims["nonce"] = "x" }, nil, 422, "did not let you in"},
		"over":                {func(p *provider) { p.claims["exp"] = time.Now().Add(-time.Hour).Unix() }, nil, 422, "did not let you in"},
		"signed by another":   {func(p *provider) { p.signer = another }, nil, 422, "did not let you in"},
		"another state":       {nil, func(q url.Values) { q.Set("state", "x") }, 422, "does not belong to this browser"},
		"another code":        {nil, func(q url.Values) { q.Set("code", "x") }, 422, "did not let you in"},
	} {
		p.claims, p.signer = map[string]any{}, p.key
		if c.change != nil {
			c.change(p)
		}
		b := s.browser(t)
		a := ask(t, b, "GET", s.URL+"/login/openid?next=/%3Fx=1", nil)
		to, err := url.Parse(a.location)
		if err != nil || a.status != 303 || !strings.HasPrefix(a.location, p.URL+"/authorize?") || to.Query().Get("redirect_uri") != "https://lamp.example/login/openid/return" ||
			to.Query().Get("code_challenge_method") != "S256" || to.Query().Get("scope") != "openid" {
			t.Fatalf("%s: %d to %s, %v", name, a.status, a.location, err)
		}
		p.nonce, p.challenge = to.Query().Get("nonce"), to.Query().Get("code_challenge")
		query := url.Values{"state": {to.Query().Get("state")}, "code": {"a-code"}}
		if c.query != nil {
			c.query(query)
		}
		a = ask(t, b, "GET", s.URL+"/login/openid/return?"+query.Encode(), nil)
		if a.status != c.want || !strings.Contains(a.body, c.says) || a.status == 303 && a.location != "/?x=1" {
			t.Errorf("%s: %d to %q\n%s", name, a.status, a.location, a.body)
		}
		got := ask(t, b, "GET", s.URL+"/", nil)
		if in := got.body == "olga viewer session"; in != (c.want == 303) {
			t.Errorf("%s: then %d %q", name, got.status, got.body)
		}
		if again := ask(t, b, "GET", s.URL+"/login/openid/return?"+query.Encode(), nil); again.status != 422 || !strings.Contains(again.body, "another browser") {
			t.Errorf("%s, a second time: %d\n%s", name, again.status, again.body)
		}
	}
}
