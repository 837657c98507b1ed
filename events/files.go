package events

import (
	"errors"
	"fmt"
	"regexp"
	"strings"
)

// KeptFile is a file that the journal names by its SHA-256, and that the object
// store beside it keeps: a photo, or an outside laboratory's certificate.
type KeptFile struct {
	Hash        string // SHA-256 in hexadecimal
	Job         string // of a photo
	Certificate string // number of a certificate; "": it is a photo
	Name        string // of a certificate's file, as it was sent
	Size        int64  // in bytes
}

// What may be wrong with a kept file.
var (
	ErrFileMissing = errors.New("the file is not in the store")
	ErrFileAltered = errors.New("the file in the store is not what was kept: it was altered or damaged")
)

// String is how people know the file.
func (f KeptFile) String() string {
	if f.Certificate == "" {
		return fmt.Sprintf("the photo %.12s of job %s", f.Hash, f.Job)
	}
	return fmt.Sprintf("the file of certificate %s (%s, %d bytes, SHA-256 %.12s…)", f.Certificate, f.Name, f.Size, f.Hash)
}

var fileHash = regexp.MustCompile(`^[0-9a-f]{64}$`)

// FilesOf returns the files that an entry names. One that cannot be read names none.
func FilesOf(w *Written) (out []KeptFile) {
	photo := strings.HasPrefix(w.Type, photoTaken)
	if !photo && !(strings.HasPrefix(w.Type, decided) && strings.Contains(w.Data, certificateEntered)) {
		return nil
	}
	d, err := Decode(w.Type, []byte(w.Data))
	if err != nil {
		return nil
	}
	add := func(f KeptFile) {
		if fileHash.MatchString(f.Hash) {
			out = append(out, f)
		}
	}
	switch d := d.(type) {
	case PhotoTaken:
		add(KeptFile{Hash: d.Hash, Job: d.Job, Size: d.Size})
	case Decided:
		for _, o := range d.Outcomes {
			if c, ok := o.Data.(CertificateEntered); ok {
				add(KeptFile{Hash: c.FileHash, Certificate: c.Certificate, Name: c.File, Size: c.FileSize})
			}
		}
	}
	return out
}

// Written types, without their versions.
var (
	photoTaken         = written(PhotoTaken{})
	decided            = written(Decided{})
	certificateEntered = func() string { name, _ := CertificateEntered{}.OutcomeType(); return `"` + name + ".v" }()
)

func written(d Data) string {
	name, _ := d.EventType()
	return TypePrefix + name + ".v"
}
