package mqtt

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"
)

// config reads the files anew, so that renewed certificates are taken up at
// the next connect. host is the address's, for want of a server name.
func (t *TLS) config(host string) (*tls.Config, error) {
	config := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: host}
	if t.ServerName != "" {
		config.ServerName = t.ServerName
	}
	if t.CAFile != "" {
		pem, err := os.ReadFile(t.CAFile)
		if err != nil {
			return nil, fmt.Errorf("cannot read tls ca_file: %w", err)
		}
		config.RootCAs = x509.NewCertPool()
		if !config.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("tls ca_file %s holds no certificate in PEM form; give the authority's, between BEGIN CERTIFICATE and END CERTIFICATE", t.CAFile)
		}
	}
	if t.CertFile != "" {
		pair, err := tls.LoadX509KeyPair(t.CertFile, t.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("cannot use tls cert_file with key_file: %w", err)
		}
		config.Certificates = []tls.Certificate{pair}
	}
	return config, nil
}
