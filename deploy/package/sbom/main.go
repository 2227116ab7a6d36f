// Command sbom lists what a Go program was made of, as SPDX 2.3 in JSON. Everything comes
// from what the compiler wrote into the program itself.
//
//	sbom PROGRAM NAME VERSION CREATED
package main

import (
	"crypto/sha256"
	"debug/buildinfo"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"strings"
)

type sum struct {
	Algorithm string `json:"algorithm"`
	Value     string `json:"checksumValue"`
}

type reference struct {
	Category string `json:"referenceCategory"`
	Type     string `json:"referenceType"`
	Locator  string `json:"referenceLocator"`
}

type part struct {
	ID       string      `json:"SPDXID"`
	Name     string      `json:"name"`
	Version  string      `json:"versionInfo"`
	Location string      `json:"downloadLocation"`
	Analyzed bool        `json:"filesAnalyzed"`
	Comment  string      `json:"comment,omitempty"`
	Sums     []sum       `json:"checksums,omitempty"`
	Refs     []reference `json:"externalRefs,omitempty"`
}

type relation struct {
	From string `json:"spdxElementId"`
	Type string `json:"relationshipType"`
	To   string `json:"relatedSpdxElement"`
}

type document struct {
	Version   string         `json:"spdxVersion"`
	License   string         `json:"dataLicense"`
	ID        string         `json:"SPDXID"`
	Name      string         `json:"name"`
	Namespace string         `json:"documentNamespace"`
	Creation  map[string]any `json:"creationInfo"`
	Packages  []part         `json:"packages"`
	Relations []relation     `json:"relationships"`
}

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "sbom:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	if len(args) != 4 {
		return fmt.Errorf("cannot tell what you want: give PROGRAM NAME VERSION CREATED")
	}
	program, name, version, created := args[0], args[1], args[2], args[3]
	info, err := buildinfo.ReadFile(program)
	if err != nil {
		return fmt.Errorf("cannot read what %s is made of: %w", program, err)
	}
	bytes, err := os.ReadFile(program)
	if err != nil {
		return fmt.Errorf("cannot read %s: %w", program, err)
	}
	hash := sha256.Sum256(bytes)
	text := hex.EncodeToString(hash[:])
	d := document{
		Version: "SPDX-2.3", License: "CC0-1.0", ID: "SPDXRef-DOCUMENT", Name: name,
		Namespace: "https://spdx.org/spdxdocs/" + name + "-" + text[:16],
		Creation:  map[string]any{"created": created, "creators": []string{"Tool: ebbwatch-sbom"}},
		Relations: []relation{{"SPDXRef-DOCUMENT", "DESCRIBES", "SPDXRef-program"}},
	}
	var settings []string
	for _, s := range info.Settings {
		settings = append(settings, s.Key+"="+s.Value)
	}
	d.Packages = append(d.Packages, part{ID: "SPDXRef-program", Name: name, Version: version, Location: "NOASSERTION",
		Sums: []sum{{"SHA256", text}}, Comment: strings.Join(settings, " ")})
	d.add("SPDXRef-go", "std", strings.TrimPrefix(info.GoVersion, "go"), "pkg:golang/std@"+strings.TrimPrefix(info.GoVersion, "go"), "")
	for i, m := range info.Deps {
		if m.Replace != nil {
			m = m.Replace
		}
		d.add(fmt.Sprintf("SPDXRef-%d", i+1), m.Path, m.Version, "pkg:golang/"+m.Path+"@"+m.Version, m.Sum)
	}
	enc := json.NewEncoder(os.Stdout)
	enc.SetIndent("", " ")
	return enc.Encode(d)
}

func (d *document) add(id, name, version, purl, goSum string) {
	p := part{ID: id, Name: name, Version: version, Location: "NOASSERTION", Refs: []reference{{"PACKAGE-MANAGER", "purl", purl}}}
	if goSum != "" {
		p.Comment = "go.sum " + goSum
	}
	d.Packages = append(d.Packages, p)
	d.Relations = append(d.Relations, relation{"SPDXRef-program", "DEPENDS_ON", id})
}
