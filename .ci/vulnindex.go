//go:build ignore

// Command vulnindex makes a database that govulncheck reads (-db file://DIR)
// of the reports in the module golang.org/x/vulndb, which the Go module proxy
// has. The form is that of https://go.dev/security/vuln/database#api.
//
//	go run .ci/vulnindex.go REPORTS DIR
package main

import (
	"encoding/json"
	"fmt"
	"log"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"time"
)

type vuln struct {
	ID       string    `json:"id"`
	Modified time.Time `json:"modified"`
}

type module struct {
	Path  string `json:"path"`
	Vulns []vuln `json:"vulns"`
}

func main() {
	log.SetFlags(0)
	if len(os.Args) != 3 {
		log.Fatal("usage: vulnindex REPORTS DIR")
	}
	if err := run(os.Args[1], os.Args[2]); err != nil {
		log.Fatal("vulnindex: ", err)
	}
}

func run(reports, dir string) error {
	files, err := filepath.Glob(filepath.Join(reports, "GO-*.json"))
	if err != nil || len(files) == 0 {
		return fmt.Errorf("no reports in %s: %v", reports, err)
	}
	for _, d := range []string{"ID", "index"} {
		if err := os.MkdirAll(filepath.Join(dir, d), 0o755); err != nil {
			return err
		}
	}
	byPath := map[string][]vuln{}
	var newest time.Time
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			return err
		}
		var r struct {
			vuln
			Affected []struct {
				Package struct{ Name string } `json:"package"`
			} `json:"affected"`
		}
		if err := json.Unmarshal(b, &r); err != nil || r.ID == "" {
			return fmt.Errorf("read %s: %v", f, err)
		}
		if r.Modified.After(newest) {
			newest = r.Modified
		}
		seen := map[string]bool{}
		for _, a := range r.Affected {
			if !seen[a.Package.Name] {
				seen[a.Package.Name] = true
				byPath[a.Package.Name] = append(byPath[a.Package.Name], r.vuln)
			}
		}
		if err := os.WriteFile(filepath.Join(dir, "ID", filepath.Base(f)), b, 0o644); err != nil {
			return err
		}
	}
	var modules []module
	for _, p := range slices.Sorted(maps.Keys(byPath)) {
		modules = append(modules, module{p, byPath[p]})
	}
	for name, v := range map[string]any{"modules": modules, "db": map[string]time.Time{"modified": newest}} {
		b, err := json.Marshal(v)
		if err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(dir, "index", name+".json"), b, 0o644); err != nil {
			return err
		}
	}
	fmt.Printf("%d reports on %d modules\n", len(files), len(modules))
	return nil
}
