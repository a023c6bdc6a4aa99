package api

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/gorilla/schema"

	"ashlamp/dashboard/problem"
)

func (a *API) answer(w http.ResponseWriter, r *http.Request, status int, body any) {
	b, err := json.Marshal(body)
	if err != nil {
		a.failed(w, r, fmt.Errorf("encode the answer: %w", err))
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_, _ = w.Write(append(b, '\n'))
}

// readBody reads the one JSON value of the body, or answers what is wrong with it.
func readBody(w http.ResponseWriter, r *http.Request, into any) bool {
	if media, params, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || media != "application/json" ||
		!slices.Contains([]string{"", "utf-8"}, strings.ToLower(params["charset"])) {
		problem.Write(w, r, problem.MediaType, "The Content-Type is "+quoted(r.Header.Get("Content-Type"))+".",
			"Send JSON with Content-Type: application/json.")
		return false
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, MaxBody))
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		problem.Write(w, r, problem.TooLarge, fmt.Sprintf("The body has more than %d bytes.", MaxBody), "Send only what this call takes; see "+Prefix+"/openapi.json.")
		return false
	case err != nil:
		problem.Write(w, r, problem.BadRequest, "The body broke off: "+err.Error()+".", "Send it again.")
		return false
	}
	if err := decode(body, into); err != nil {
		problem.Write(w, r, problem.BadRequest, "The body cannot be read: "+err.Error()+".", "Send one JSON object with the fields of this call; see "+Prefix+"/openapi.json.")
		return false
	}
	return true
}

// readBodyIfAny is as readBody, but no body at all leaves the value as it is.
func readBodyIfAny(w http.ResponseWriter, r *http.Request, into any) bool {
	body := bufio.NewReader(r.Body)
	if _, err := body.Peek(1); err == io.EOF {
		return true
	}
	r.Body = struct {
		io.Reader
		io.Closer
	}{body, r.Body}
	return readBody(w, r, into)
}

func decode(body []byte, into any) error {
	if !utf8.Valid(body) {
		return errors.New("it is not UTF-8")
	}
	if err := checkKeys(body); err != nil {
		return err
	}
	d := json.NewDecoder(strings.NewReader(string(body)))
	d.DisallowUnknownFields()
	err := d.Decode(into)
	var wrong *json.UnmarshalTypeError
	if errors.As(err, &wrong) {
		return fmt.Errorf("%s is a %s, not a %s", wrong.Field, wrong.Value, wrong.Type)
	}
	if err != nil {
		return errors.New(strings.TrimPrefix(err.Error(), "json: "))
	}
	return nil
}

// checkKeys refuses what encoding/json would let pass: anything but one object, a
// key that is there twice, and a key that differs from the field's in case. A word
// that one reader takes for "begin" and another for "end" is no word.
func checkKeys(body []byte) error {
	d := json.NewDecoder(strings.NewReader(string(body)))
	t, err := d.Token()
	if err == io.EOF {
		return errors.New("it is empty")
	}
	if err != nil {
		return fmt.Errorf("it is not JSON: %s", err)
	}
	if t != json.Delim('{') {
		return errors.New("it is not a JSON object")
	}
	seen := map[string]bool{}
	for d.More() {
		t, err := d.Token()
		if err != nil {
			return fmt.Errorf("it is not JSON: %s", err)
		}
		k, _ := t.(string)
		if seen[k] {
			return fmt.Errorf("the field %s is there twice", quoted(k))
		}
		if k != strings.ToLower(k) {
			return fmt.Errorf("unknown field %s", quoted(k))
		}
		seen[k] = true
		var v json.RawMessage
		if err := d.Decode(&v); err != nil {
			return fmt.Errorf("it is not JSON: %s", err)
		}
		if string(v) == "null" {
			return fmt.Errorf("the field %s is null; leave it out instead", quoted(k))
		}
	}
	if _, err := d.Token(); err != nil {
		return fmt.Errorf("it is not JSON: %s", err)
	}
	if _, err := d.Token(); err != io.EOF {
		return errors.New("something follows the object")
	}
	return nil
}

// readQuery reads the query into the fields tagged query, or answers what is wrong.
func readQuery(w http.ResponseWriter, r *http.Request, into any) bool {
	values := r.URL.Query()
	d := schema.NewDecoder()
	d.SetAliasTag("query")
	d.RegisterConverter(time.Time{}, func(s string) reflect.Value {
		t, err := time.Parse(time.RFC3339, s)
		if err != nil {
			return reflect.Value{}
		}
		return reflect.ValueOf(t)
	})
	err := d.Decode(into, values)
	for name, v := range values {
		if len(v) > 1 && err == nil && !repeated(into, name) {
			err = fmt.Errorf("the parameter %s is there %d times", quoted(name), len(v))
		}
	}
	// A field without the tag answers to its Go name, which is no parameter.
	for _, name := range []string{"Engine", "Evidence", "engine", "evidence"} {
		if values.Has(name) && err == nil {
			err = fmt.Errorf("unknown parameter %s", quoted(name))
		}
	}
	if err == nil {
		return true
	}
	problem.Write(w, r, problem.BadRequest, queryDetail(err, values.Get), "See "+Prefix+"/openapi.json for the parameters of this call; times are RFC 3339, as 2031-05-04T17:02:00Z, and a + in one is written %2B.")
	return false
}

// repeated reports whether a parameter may be there more than once: its field is a list.
func repeated(into any, name string) bool {
	t := reflect.TypeOf(into).Elem()
	for i := range t.NumField() {
		if n, _, _ := strings.Cut(t.Field(i).Tag.Get("query"), ","); n == name {
			return t.Field(i).Type.Kind() == reflect.Slice
		}
	}
	return false
}

// queryDetail says in our words what the decoder found, one parameter at a time in
// the order of their names.
func queryDetail(err error, value func(string) string) string {
	var many schema.MultiError
	if !errors.As(err, &many) {
		return sentence(err.Error())
	}
	var said []string
	for name, e := range many {
		var unknown schema.UnknownKeyError
		var empty schema.EmptyFieldError
		switch {
		case errors.As(e, &unknown):
			said = append(said, "unknown parameter "+quoted(unknown.Key))
		case errors.As(e, &empty):
			said = append(said, "the parameter "+quoted(empty.Key)+" is missing")
		default:
			said = append(said, "the parameter "+quoted(name)+" is "+quoted(value(name))+", which cannot be read")
		}
	}
	slices.Sort(said)
	return sentence(strings.Join(said, "; "))
}

// quoted is what somebody sent, cut short, so that an answer is never much longer
// than the question.
func quoted(s string) string {
	if r := []rune(s); len(r) > maxID {
		s = string(r[:maxID]) + "…"
	}
	return strconv.Quote(s)
}

func sentence(s string) string {
	s = strings.ReplaceAll(s, "\n", "; ")
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:] + "."
}
