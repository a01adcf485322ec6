package main

import (
	"net/url"

	"lamplighter/coordinator/app"
	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/people/web"
)

// accessFlags say how people prove who they are.
type accessFlags struct {
	OpenOnLoopback   bool   `help:"For trials: whoever works on this computer may do everything, without logging in."`
	OpenIDIssuer     string `name:"openid-issuer" placeholder:"URL" help:"An OpenID provider that people may log in through, beside passwords."`
	OpenIDClient     string `name:"openid-client" placeholder:"ID" help:"What the provider calls this coordinator."`
	OpenIDSecretFile string `name:"openid-secret-file" placeholder:"FILE" help:"A file with the client's secret, which only you can read."`
	PublicURL        string `placeholder:"URL" help:"Where browsers reach this coordinator, https://HOST; the provider sends people back there."`
}

// access puts them into the options of a coordinator.
func (f accessFlags) access(options *app.Options) error {
	options.Open = f.OpenOnLoopback
	if f.OpenIDIssuer == "" && f.OpenIDClient == "" && f.OpenIDSecretFile == "" && f.PublicURL == "" {
		return nil
	}
	if f.OpenIDIssuer == "" || f.OpenIDClient == "" || f.OpenIDSecretFile == "" || f.PublicURL == "" {
		return fault.New(fault.Usage, "--openid-issuer", "log-in through a provider needs all of --openid-issuer, --openid-client, --openid-secret-file and --public-url")
	}
	for flag, text := range map[string]string{"--openid-issuer": f.OpenIDIssuer, "--public-url": f.PublicURL} {
		if at, err := url.Parse(text); err != nil || at.Scheme != "https" || at.Host == "" {
			return fault.New(fault.Usage, flag, "%q is no https://HOST: what is said there must not be read or changed on its way", text)
		}
	}
	secret, err := secretFile(f.OpenIDSecretFile)
	options.OpenID = &web.OpenID{Issuer: f.OpenIDIssuer, ClientID: f.OpenIDClient, ClientSecret: secret, PublicURL: f.PublicURL}
	return err
}
