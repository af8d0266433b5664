package protocol

import (
	"encoding/json"
	"unicode/utf8"
)

// Almost all that devices send is spelt plainly: an object of a few fields,
// whose keys have no escapes. That is read here in one pass and without copies.
// Nothing is refused here: of what is not plain encoding/json says whether it is
// wrong, and how.

const (
	// maxPlainFields bounds the fields of a plain object; an event has 9.
	maxPlainFields = 16
	// maxPlainLevels bounds how deep a plain object is: an event within a frame.
	maxPlainLevels = MaxLevels + 2
	// maxPlainNumber is how many signs a number may have; the largest double has 309 digits.
	maxPlainNumber = 300
)

// Plain is a JSON object that is spelt plainly. Its parts lie in the text that it
// was read from.
type Plain struct {
	fields [maxPlainFields]struct{ key, value []byte }
	n      int
	levels int  // how deep objects and arrays lie in one another
	spaced bool // whether there is space between the signs

	listKey  string // of the field whose elements are kept, or ""
	mostOf   int    // how many it may have
	elements []json.RawMessage
}

// ReadWithList reads as Read does, and keeps the elements of one field, should that be
// an array; one of more than `most` is not plain.
func (p *Plain) ReadWithList(text []byte, key string, most int) bool {
	p.listKey, p.mostOf = key, most
	return p.Read(text)
}

// List gives the elements of the field that ReadWithList was told of; nil where that
// is missing, no array, or empty.
func (p *Plain) List() []json.RawMessage { return p.elements }

func (p *Plain) keep(element []byte) bool {
	p.elements = append(p.elements, element)
	return len(p.elements) <= p.mostOf
}

// Read reads the text of one object and tells whether it is one, and plain.
func (p *Plain) Read(text []byte) bool {
	if !utf8.Valid(text) {
		return false
	}
	p.n, p.elements = 0, nil
	s := scan{text: text}
	s.space()
	ok := s.object(1, p)
	s.space()
	p.levels, p.spaced = s.levels, s.spaced
	return ok && s.at == len(text)
}

// Get gives the value of a field as it is spelt, or nil. When a key stands twice
// the last one counts.
func (p *Plain) Get(key string) []byte {
	for i := p.n - 1; i >= 0; i-- {
		if string(p.fields[i].key) == key {
			return p.fields[i].value
		}
	}
	return nil
}

// scan walks over a JSON text by its grammar (RFC 8259). Its methods begin at
// the first sign of what they are named after, end behind it, and tell whether
// it was that.
type scan struct {
	text   []byte
	at     int
	levels int
	spaced bool
}

// next tells whether the next sign is c, and goes over it if so.
func (s *scan) next(c byte) bool {
	if s.at < len(s.text) && s.text[s.at] == c {
		s.at++
		return true
	}
	return false
}

func (s *scan) space() {
	if s.at < len(s.text) && s.text[s.at] > ' ' {
		return
	}
	for s.at < len(s.text) {
		switch s.text[s.at] {
		case ' ', '\t', '\r', '\n':
			s.at++
			s.spaced = true
		default:
			return
		}
	}
}

// value goes over a value at a depth. use, where set, is given the elements of an array.
func (s *scan) value(depth int, use func([]byte) bool) bool {
	if s.at == len(s.text) {
		return false
	}
	switch s.text[s.at] {
	case '"':
		_, ok := s.string()
		return ok
	case '{':
		return s.object(depth, nil)
	case '[':
		return s.array(depth, use)
	case 't':
		return s.word("true")
	case 'f':
		return s.word("false")
	case 'n':
		return s.word("null")
	}
	return s.number()
}

// object goes over an object at a depth, and keeps its fields where into is set.
func (s *scan) object(depth int, into *Plain) bool {
	if depth > maxPlainLevels || !s.next('{') {
		return false
	}
	s.levels = max(s.levels, depth)
	s.space()
	if s.next('}') {
		return true
	}
	for {
		s.space()
		from := s.at
		escaped, ok := s.string()
		if !ok {
			return false
		}
		key := s.text[from+1 : s.at-1]
		s.space()
		if !s.next(':') {
			return false
		}
		s.space()
		from = s.at
		if into != nil && into.listKey != "" && string(key) == into.listKey {
			into.elements = nil
			ok = s.value(depth+1, into.keep)
		} else {
			ok = s.value(depth+1, nil)
		}
		if !ok {
			return false
		}
		if into != nil {
			if escaped || into.n == maxPlainFields {
				return false
			}
			into.fields[into.n].key, into.fields[into.n].value = key, s.text[from:s.at:s.at]
			into.n++
		}
		s.space()
		if s.next('}') {
			return true
		}
		if !s.next(',') {
			return false
		}
	}
}

// array goes over an array at a depth. use, where set, is given each element, and
// tells whether to go on.
func (s *scan) array(depth int, use func([]byte) bool) bool {
	if depth > maxPlainLevels || !s.next('[') {
		return false
	}
	s.levels = max(s.levels, depth)
	s.space()
	if s.next(']') {
		return true
	}
	for {
		s.space()
		from := s.at
		if !s.value(depth+1, nil) || use != nil && !use(s.text[from:s.at:s.at]) {
			return false
		}
		s.space()
		if s.next(']') {
			return true
		}
		if !s.next(',') {
			return false
		}
	}
}

func (s *scan) string() (escaped, ok bool) {
	if !s.next('"') {
		return false, false
	}
	text := s.text
	for i := s.at; i < len(text); i++ {
		c := text[i]
		if c >= ' ' && c != '"' && c != '\\' {
			continue
		}
		if s.at = i + 1; c == '"' {
			return escaped, true
		}
		if escaped = true; c < ' ' || !s.escape() {
			return true, false
		}
		i = s.at - 1
	}
	return escaped, false
}

// escape goes over what follows a backslash.
func (s *scan) escape() bool {
	if s.at == len(s.text) {
		return false
	}
	c := s.text[s.at]
	s.at++
	switch c {
	case '"', '\\', '/', 'b', 'f', 'n', 'r', 't':
		return true
	case 'u':
		for range 4 {
			if s.at == len(s.text) || !isHex(s.text[s.at]) {
				return false
			}
			s.at++
		}
		return true
	}
	return false
}

func isHex(c byte) bool {
	return '0' <= c && c <= '9' || 'a' <= c && c <= 'f' || 'A' <= c && c <= 'F'
}

// number leaves one with an exponent, or with hundreds of digits, to
// encoding/json, which says whether a double can be as large.
func (s *scan) number() bool {
	from := s.at
	s.next('-')
	if !s.next('0') && !s.digits() {
		return false
	}
	if s.next('.') && !s.digits() {
		return false
	}
	return !s.next('e') && !s.next('E') && s.at-from < maxPlainNumber
}

func (s *scan) digits() bool {
	from := s.at
	for s.at < len(s.text) && '0' <= s.text[s.at] && s.text[s.at] <= '9' {
		s.at++
	}
	return s.at > from
}

func (s *scan) word(word string) bool {
	if len(s.text)-s.at < len(word) || string(s.text[s.at:s.at+len(word)]) != word {
		return false
	}
	s.at += len(word)
	return true
}
