package localca

import (
	"crypto/ecdsa"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"time"

	"buddyclock/server/folder"
)

// FileName is the file in the data folder that holds the authority: its
// certificates and the issuer's key.
const FileName = "localca.pem"

const (
	certificateBlock = "CERTIFICATE"
	keyBlock         = "PRIVATE KEY"
)

// Open reads the authority kept in dir, and makes one where there is none. An
// authority that cannot be used is never replaced by itself, since every phone
// would have to be set up anew: the error says what is wrong and what to do.
func Open(dir string, now time.Time) (*Authority, error) {
	path := filepath.Join(dir, FileName)
	text, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		a, err := generate(now)
		if err != nil {
			return nil, err
		}
		if err := a.save(path); err != nil {
			return nil, fmt.Errorf("cannot keep the certificate authority: %w", err)
		}
		return a, nil
	}
	if err != nil {
		return nil, fmt.Errorf("cannot read the certificate authority: %w", err)
	}
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("cannot read the certificate authority: %w", err)
	}
	// Windows tells by other means than a mode who may read.
	if mode := info.Mode().Perm(); mode&0o077 != 0 && runtime.GOOS != "windows" {
		return nil, fmt.Errorf("others may read the key in %s (its mode is %04o), so somebody may have a copy: remove the file and have the phones trust the new authority, or set its mode to 0600 if you know that nobody has", path, mode)
	}
	a, err := parse(text)
	if err != nil {
		return nil, fmt.Errorf("the certificate authority in %s cannot be used (%w): bring the file back from a copy, or remove it and have the phones trust the new one", path, err)
	}
	if now.After(a.Until()) {
		return nil, fmt.Errorf("the certificate authority in %s was good until %s and this machine's clock says %s: set the clock if it is wrong, or remove the file and have the phones trust the new one", path, a.Until().Format(time.DateOnly), now.Format(time.DateOnly))
	}
	return a, nil
}

// save writes a new file beside its place and moves it there whole.
func (a *Authority) save(path string) error {
	key, err := x509.MarshalPKCS8PrivateKey(a.key)
	if err != nil {
		return err
	}
	var text []byte
	for _, b := range []pem.Block{{Type: certificateBlock, Bytes: a.root.Raw}, {Type: certificateBlock, Bytes: a.issuer.Raw}, {Type: keyBlock, Bytes: key}} {
		text = append(text, pem.EncodeToMemory(&b)...)
	}
	draft := path + ".new"
	if err := os.Remove(draft); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	f, err := os.OpenFile(draft, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(draft, path); err != nil {
		return err
	}
	// Phones are about to trust it: it must be the same after a power cut.
	return folder.Sync(filepath.Dir(path))
}

// parse reads what save wrote and holds its parts against each other.
func parse(text []byte) (*Authority, error) {
	var blocks []*pem.Block
	for {
		var b *pem.Block
		if b, text = pem.Decode(text); b == nil {
			break
		}
		blocks = append(blocks, b)
	}
	if len(blocks) != 3 || blocks[0].Type != certificateBlock || blocks[1].Type != certificateBlock || blocks[2].Type != keyBlock {
		return nil, errors.New("it does not hold two certificates and a key")
	}
	var a Authority
	var err error
	if a.root, err = x509.ParseCertificate(blocks[0].Bytes); err != nil {
		return nil, errors.New("its first certificate is damaged")
	}
	if a.issuer, err = x509.ParseCertificate(blocks[1].Bytes); err != nil {
		return nil, errors.New("its second certificate is damaged")
	}
	key, err := x509.ParsePKCS8PrivateKey(blocks[2].Bytes)
	if err != nil {
		return nil, errors.New("its key is damaged")
	}
	var ok bool
	if a.key, ok = key.(*ecdsa.PrivateKey); !ok || !a.key.PublicKey.Equal(a.issuer.PublicKey) {
		return nil, errors.New("its key belongs to another certificate")
	}
	if a.root.CheckSignatureFrom(a.root) != nil || a.issuer.CheckSignatureFrom(a.root) != nil {
		return nil, errors.New("its certificates do not belong together, or are damaged")
	}
	return &a, nil
}
