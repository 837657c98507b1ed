package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"

	"witnessmark/events/quantity"
)

// object is one JSON object, its fields not yet read.
type object struct {
	line   int
	path   string // before its fields' names, for messages
	fields map[string]json.RawMessage
}

func readObject(text []byte) (object, error) {
	var o object
	if len(text) == 0 || text[0] != '{' {
		return o, errors.New("this is no JSON object")
	}
	if err := json.Unmarshal(text, &o.fields); err != nil {
		return o, fmt.Errorf("this is no JSON: %w", err)
	}
	return o, nil
}

func (o object) names() []string {
	names := make([]string, 0, len(o.fields))
	for name := range o.fields { // sorted below
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

func (o object) raw(name string) json.RawMessage { return o.fields[name] }

// has reports whether a field is there and not null.
func (o object) has(name string) bool {
	raw, ok := o.fields[name]
	return ok && string(raw) != "null"
}

func (o object) wrong(name, text, todo string) lineNote {
	return lineNote{Line: o.line, Field: o.path + name, Text: text, Todo: todo, Count: 1}
}

// shown gives a field as it stands, cut short.
func (o object) shown(name string) string {
	raw := o.fields[name]
	if len(raw) > 40 {
		return string(bytes.ToValidUTF8(raw[:40], nil)) + "…"
	}
	return string(raw)
}

func (o object) object(name string) (object, error) {
	p, err := readObject(o.fields[name])
	if err != nil {
		return p, o.wrong(name, fmt.Sprintf("%s is no object", o.shown(name)), "write {…}")
	}
	p.line, p.path = o.line, o.path+name+"."
	return p, nil
}

// text reads a text that must be there.
func (o object) text(name string) (string, error) {
	s, err := o.optionalText(name)
	if err == nil && s == "" {
		err = o.wrong(name, "it is missing", "write a text")
	}
	return s, err
}

func (o object) optionalText(name string) (string, error) {
	if !o.has(name) {
		return "", nil
	}
	var s string
	if err := json.Unmarshal(o.fields[name], &s); err != nil {
		return "", o.wrong(name, fmt.Sprintf("%s is no text", o.shown(name)), `write a text in quotes`)
	}
	return s, nil
}

func (o object) truth(name string) (yes, ok bool, err error) {
	if !o.has(name) {
		return false, false, nil
	}
	if err := json.Unmarshal(o.fields[name], &yes); err != nil {
		return false, false, o.wrong(name, fmt.Sprintf("%s is neither true nor false", o.shown(name)), "write true or false")
	}
	return yes, true, nil
}

// number reads a number; ok is false where there is none.
func (o object) number(name string) (v float64, ok bool, err error) {
	if !o.has(name) {
		return 0, false, nil
	}
	raw := o.fields[name]
	v, err = strconv.ParseFloat(string(raw), 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) || raw[0] == '"' {
		return 0, false, o.wrong(name, fmt.Sprintf("%s is no number", o.shown(name)), "write a number such as 25.4, or null if it is not known")
	}
	return v, true, nil
}

// seconds reads a time in seconds, not below zero, and gives microseconds.
func (o object) seconds(name string) (us int64, ok bool, err error) {
	v, ok, err := o.number(name)
	if err == nil && ok && !(v >= 0 && v <= maxStreamSeconds) {
		err = o.wrong(name, fmt.Sprintf("%v s", v), "write seconds, not below 0")
	}
	if err != nil || !ok {
		return 0, false, err
	}
	return int64(math.Round(v * 1e6)), true, nil
}

// count reads a whole number from 0; nil where there is none.
func (o object) count(name string) (*uint64, error) {
	if !o.has(name) {
		return nil, nil
	}
	n, err := strconv.ParseUint(string(o.fields[name]), 10, 64)
	if err != nil {
		return nil, o.wrong(name, fmt.Sprintf("%s is no whole number", o.shown(name)), "write the tool's counter as a whole number from 0, or null")
	}
	return &n, nil
}

// unit reads a unit; ok is false where there is none.
func (o object) unit(name string) (u quantity.Unit, ok bool, err error) {
	s, err := o.optionalText(name)
	if err != nil || s == "" {
		return u, false, err
	}
	if u, ok = quantity.UnitByCode(s); ok {
		return u, true, nil
	}
	if u, err = quantity.ParseUnit(s); err != nil {
		return u, false, o.wrong(name, fmt.Sprintf("%q is no unit that is known", s), "write for example N·m or lbf·ft, or null if the tool tells none")
	}
	return u, true, nil
}

// numbers reads a list of numbers; nil where there is none.
func (o object) numbers(name string) ([]float64, error) {
	if !o.has(name) {
		return nil, nil
	}
	raw := bytes.TrimSpace(o.fields[name])
	if len(raw) < 2 || raw[0] != '[' {
		return nil, o.wrong(name, fmt.Sprintf("%s is no list", o.shown(name)), "write [0.5, 1.2, …]")
	}
	raw = bytes.TrimSpace(raw[1 : len(raw)-1])
	if len(raw) == 0 {
		return nil, nil
	}
	list := make([]float64, 0, bytes.Count(raw, []byte{','})+1)
	for len(raw) > 0 {
		var item []byte
		item, raw, _ = bytes.Cut(raw, []byte{','})
		v, err := strconv.ParseFloat(string(bytes.TrimSpace(item)), 64)
		if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
			return nil, o.wrong(name, fmt.Sprintf("sample %d is no number", len(list)+1), "write numbers only")
		}
		list = append(list, v)
	}
	return list, nil
}

// objects reads a list of objects.
func (o object) objects(name string) ([]object, error) {
	if !o.has(name) {
		return nil, nil
	}
	var raw []json.RawMessage
	if err := json.Unmarshal(o.fields[name], &raw); err != nil {
		return nil, o.wrong(name, fmt.Sprintf("%s is no list", o.shown(name)), "write [{…}, …]")
	}
	list := make([]object, len(raw))
	for i := range raw {
		p, err := readObject(raw[i])
		if err != nil {
			return nil, o.wrong(fmt.Sprintf("%s[%d]", name, i), "it is no object", "write {…}")
		}
		p.line, p.path = o.line, fmt.Sprintf("%s%s[%d].", o.path, name, i)
		list[i] = p
	}
	return list, nil
}
