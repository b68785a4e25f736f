package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"alkalog/service/fault"
)

// checkJSON checks a request of JSON before it is decoded: nesting, items of lists,
// fields that are not known, and how many messages and fields it has. It returns the
// number of messages. Values of a wrong type are left to the decoder.
//
// Two bytes of JSON can be a message of hundreds of bytes when they are decoded, so
// that a short request could need all memory.
func checkJSON(input protoreflect.MessageDescriptor, text []byte, bounds Bounds) (messages int, wrong *fault.Violation) {
	decoder := json.NewDecoder(bytes.NewReader(text))
	decoder.UseNumber() // a number is not converted: 1e999999999 is only a text
	c := &jsonCheck{decoder: decoder, bounds: bounds}
	token, err := decoder.Token()
	if err == nil && token != json.Delim('{') {
		return 0, malformedJSON(input)
	}
	if err == nil {
		err = c.object(input)
	}
	if err == nil {
		if _, more := decoder.Token(); more != io.EOF {
			err = errMalformed
		}
	}
	if c.wrong == nil && err != nil {
		c.wrong = malformedJSON(input)
	}
	return c.messages, c.wrong
}

// jsonCheck is one pass over the tokens of a request. It recurses as deeply as
// Bounds.Depth allows, and keeps nothing of what it has read but the path.
type jsonCheck struct {
	decoder          *json.Decoder
	bounds           Bounds
	messages, fields int
	path             []string // of the value that is read
	wrong            *fault.Violation
}

// errMalformed ends a pass: c.wrong says why, or it is no JSON at all.
var errMalformed = fmt.Errorf("malformed")

// object reads an object after its opening brace. message is nil for one that is not
// known.
func (c *jsonCheck) object(message protoreflect.MessageDescriptor) error {
	if c.messages++; c.messages > c.bounds.Messages {
		return c.refuse("request", fmt.Sprintf("must hold no more than %d messages", c.bounds.Messages))
	}
	if len(c.path) >= c.bounds.Depth {
		return errMalformed
	}
	for c.decoder.More() {
		token, err := c.decoder.Token()
		if err != nil {
			return err
		}
		name, _ := token.(string)
		if err := c.countField(); err != nil {
			return err
		}
		field := fieldOf(message, name)
		if field == nil {
			return c.refuse(c.pathOf(printable(name)), "is no field that this server knows; a server is updated before its tills")
		}
		c.path = append(c.path, string(field.Name()))
		if err := c.value(field); err != nil {
			return err
		}
		c.path = c.path[:len(c.path)-1]
	}
	_, err := c.decoder.Token() // the closing brace
	return err
}

// value reads the value of a field. Objects and lists are read only where the contract
// has them; anywhere else one could be as large as the whole request.
func (c *jsonCheck) value(field protoreflect.FieldDescriptor) error {
	token, err := c.decoder.Token()
	if err != nil {
		return err
	}
	switch {
	case token == json.Delim('{') && field.Message() != nil && !field.IsList() && !isScalar(field.Message()):
		return c.object(field.Message())
	case token == json.Delim('[') && field.IsList():
		return c.list(field)
	case token == json.Delim('{') || token == json.Delim('['):
		return c.refuse(c.pathOf(""), "has the wrong type")
	}
	return c.scalar(field, token)
}

// list reads a list after its opening bracket. An item is counted before it is read, so
// that nothing behind the last permitted one is looked at.
func (c *jsonCheck) list(field protoreflect.FieldDescriptor) error {
	most := c.bounds.MaxItems(field)
	last := len(c.path) - 1
	name := c.path[last]
	for n := 0; c.decoder.More(); n++ {
		if n >= most {
			c.path[last] = name
			return c.refuse(c.pathOf(""), fmt.Sprintf("must contain no more than %d item(s)", most))
		}
		if err := c.countField(); err != nil {
			return err
		}
		c.path[last] = name + "[" + strconv.Itoa(n) + "]"
		token, err := c.decoder.Token()
		if err != nil {
			return err
		}
		switch {
		case token == json.Delim('{') && field.Message() != nil && !isScalar(field.Message()):
			err = c.object(field.Message())
		case token == json.Delim('{') || token == json.Delim('['):
			err = c.refuse(c.pathOf(""), "has the wrong type")
		default:
			err = c.scalar(field, token)
		}
		if err != nil {
			return err
		}
	}
	_, err := c.decoder.Token() // the closing bracket
	return err
}

// scalar checks a value that is no object and no list. A mask is a list within a text
// (ProtoJSON Format, FieldMask).
func (c *jsonCheck) scalar(field protoreflect.FieldDescriptor, token json.Token) error {
	text, isText := token.(string)
	if isText && field.Message() != nil && field.Message().FullName() == "google.protobuf.FieldMask" {
		most := c.bounds.MaxItems(field.Message().Fields().ByName("paths"))
		if strings.Count(text, ",") >= most {
			return c.refuse(c.pathOf("paths"), fmt.Sprintf("must contain no more than %d item(s)", most))
		}
	}
	return nil
}

// countField counts a field or an item. Each can become a value of its own in memory.
func (c *jsonCheck) countField() error {
	if c.fields++; c.fields > c.bounds.Fields {
		return c.refuse("request", fmt.Sprintf("must hold no more than %d fields", c.bounds.Fields))
	}
	return nil
}

// refuse ends the pass with a violation.
func (c *jsonCheck) refuse(field, want string) error {
	c.wrong = &fault.Violation{Field: field, Want: want}
	return errMalformed
}

// pathOf returns the path of what is read, and of a field in it.
func (c *jsonCheck) pathOf(name string) string {
	return strings.Trim(strings.Join(c.path, ".")+"."+name, ".")
}

// fieldOf returns the field of a message by a name as JSON may have it; nil: none.
func fieldOf(message protoreflect.MessageDescriptor, name string) protoreflect.FieldDescriptor {
	if field := message.Fields().ByJSONName(name); field != nil {
		return field
	}
	return message.Fields().ByTextName(name)
}

// isScalar reports whether a message of protobuf is a text or a number in JSON.
func isScalar(message protoreflect.MessageDescriptor) bool {
	switch message.FullName() {
	case "google.protobuf.Timestamp", "google.protobuf.Duration", "google.protobuf.FieldMask":
		return true
	}
	return false
}

// printable returns a name that is shown in an error: short, and of letters, digits
// and the signs of paths. Anything may be typed as a name, also something about a client
// or something that a terminal or a page would not only show.
func printable(name string) string {
	name = strings.Map(func(r rune) rune {
		if r == '_' || r == '.' || r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' {
			return r
		}
		return '?'
	}, name)
	return name[:min(len(name), 60)]
}

// malformedJSON is the violation for text that is no JSON of a message.
func malformedJSON(message protoreflect.MessageDescriptor) *fault.Violation {
	return &fault.Violation{Field: "request", Want: fmt.Sprintf("must be well-formed JSON of one %s, with all text in UTF-8", message.FullName())}
}
