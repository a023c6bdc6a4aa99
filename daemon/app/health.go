package app

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"sort"
	"time"

	"ashlamp/dashboard"
)

// health says what of its work the daemon does not do.
func (a *App) health(context.Context) error {
	if t := a.trouble.Load(); t != nil {
		return fmt.Errorf("samples are not stored: %s", *t)
	}
	return a.judging()
}

func (a *App) metrics() []dashboard.Family {
	c := a.gate.Counters()
	s := a.hub.Stats()
	counter := func(name, help string, v uint64) dashboard.Family {
		return dashboard.One(dashboard.Counter, name, help, float64(v))
	}
	out := []dashboard.Family{
		counter("ashlamp_messages", "Packs, readings and status messages that came in.", c.Messages.Load()),
		counter("ashlamp_samples_offered", "Samples admitted towards the store, bad ones included.", c.Offered.Load()),
		counter("ashlamp_samples_stored", "Samples that the store did not hold before.", c.Stored.Load()),
		counter("ashlamp_samples_repeated", "Samples that the store held already, equal in everything.", c.Duplicates.Load()),
		counter("ashlamp_samples_conflicting", "Samples whose channel and time another had with another value.", c.Conflicts.Load()),
		counter("ashlamp_commits", "Transactions of samples.", c.Commits.Load()),
		counter("ashlamp_commits_failed", "Transactions of samples that failed.", c.FailedCommits.Load()),
		counter("ashlamp_pages_changes", "Changes published to the pages.", s.Changes),
		counter("ashlamp_pages_slow", "Pages cut off because they did not keep up.", s.Slow),
		dashboard.One(dashboard.Gauge, "ashlamp_pages", "Pages that are connected.", float64(s.Clients)),
	}
	asked, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	if n, err := a.store.LettersWaiting(asked); err == nil {
		out = append(out, dashboard.One(dashboard.Gauge, "ashlamp_letters_waiting", "Messages to people that are yet to be taken, or to be sent again.", float64(n)))
	}
	troubles := dashboard.Family{Name: "ashlamp_troubles", Help: "What came in and was refused or made bad, by kind.", Kind: dashboard.Counter}
	all := c.Troubles()
	kinds := make([]string, 0, len(all))
	for k := range all {
		kinds = append(kinds, k)
	}
	sort.Strings(kinds)
	for _, k := range kinds {
		troubles.Figures = append(troubles.Figures, dashboard.Figure{Labels: []dashboard.Label{{Name: "kind", Value: k}}, Value: float64(all[k])})
	}
	return append(out, troubles)
}

// trust returns the TLS settings for a broker whose certificate an authority of
// the owner's signed; nil for the system's authorities.
func trust(caFile string) (*tls.Config, error) {
	if caFile == "" {
		return nil, nil
	}
	pem, err := os.ReadFile(caFile)
	if err != nil {
		return nil, fmt.Errorf("read the authority's certificate: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, errors.New("the authority's certificate is no PEM; name the file that begins with -----BEGIN CERTIFICATE-----")
	}
	return &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}, nil
}
