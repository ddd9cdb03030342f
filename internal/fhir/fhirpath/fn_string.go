package fhirpath

import (
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"html"
	"regexp"
	"strings"
	"unicode/utf8"
)

// onText is a function of the input as one text; an empty input gives nothing.
func onText(name string, least, most int, do func(e *Env, s string, args []code) ([]Value, error)) (function, bool) {
	return function{least, most, func(args []code) code {
		return collected(func(e *Env, in []Value) ([]Value, error) {
			s, ok, err := oneText(in, name)
			if err != nil || !ok {
				return nil, err
			}
			return do(e, s, args)
		})
	}}, true
}

// onTwo is a function of the input and one argument, both text.
func onTwo(name string, do func(s, arg string) (Value, error)) (function, bool) {
	return onText(name, 1, 1, func(e *Env, s string, args []code) ([]Value, error) {
		arg, ok, err := textArg(e, args[0], name)
		if err != nil || !ok {
			return nil, err
		}
		v, err := do(s, arg)
		if err != nil || v.kind == kindNone {
			return nil, err
		}
		return e.one(v), nil
	})
}

// onOne is a function of the input text alone.
func onOne(name string, do func(s string) Value) (function, bool) {
	return onText(name, 0, 0, func(e *Env, s string, _ []code) ([]Value, error) { return e.one(do(s)), nil })
}

// stringFunctions holds section 5.6.
func stringFunctions(name string) (function, bool) {
	switch name {
	case "indexOf":
		return onTwo(name, func(s, arg string) (Value, error) { return Integer(runeIndex(s, arg)), nil })
	case "startsWith":
		return onTwo(name, func(s, arg string) (Value, error) { return Boolean(strings.HasPrefix(s, arg)), nil })
	case "endsWith":
		return onTwo(name, func(s, arg string) (Value, error) { return Boolean(strings.HasSuffix(s, arg)), nil })
	case "contains":
		return onTwo(name, func(s, arg string) (Value, error) { return Boolean(strings.Contains(s, arg)), nil })
	case "upper":
		return onOne(name, func(s string) Value { return Text(strings.ToUpper(s)) })
	case "lower":
		return onOne(name, func(s string) Value { return Text(strings.ToLower(s)) })
	case "trim":
		return onOne(name, func(s string) Value { return Text(strings.TrimSpace(s)) })
	case "length":
		return onOne(name, func(s string) Value { return Integer(int64(utf8.RuneCountInString(s))) })
	case "substring":
		return onText(name, 1, 2, substring)
	case "replace":
		return onText(name, 2, 2, replace)
	case "matches", "matchesFull":
		return matches(name)
	case "replaceMatches":
		return onText(name, 2, 2, replaceMatches)
	case "toChars":
		return onText(name, 0, 0, func(e *Env, s string, _ []code) ([]Value, error) { return texts(e, strings.Split(s, "")), nil })
	case "split":
		return onText(name, 1, 1, func(e *Env, s string, args []code) ([]Value, error) {
			sep, ok, err := textArg(e, args[0], name)
			if err != nil || !ok {
				return nil, err
			}
			return texts(e, strings.Split(s, sep)), nil
		})
	case "join":
		return function{0, 1, func(args []code) code { return collected(join(args)) }}, true
	case "encode", "decode", "escape", "unescape":
		return onTwo(name, func(s, arg string) (Value, error) { return recode(name, arg, s) })
	}
	return function{}, false
}

func texts(e *Env, list []string) []Value {
	from := len(e.arena)
	for _, s := range list {
		e.arena = append(e.arena, Text(s))
	}
	return e.arena[from:len(e.arena):len(e.arena)]
}

func runeIndex(s, part string) int64 {
	i := strings.Index(s, part)
	if i < 0 {
		return -1
	}
	return int64(utf8.RuneCountInString(s[:i]))
}

func substring(e *Env, s string, args []code) ([]Value, error) {
	start, ok, err := integerArg(e, args[0], "the start of substring")
	if err != nil || !ok {
		return nil, err
	}
	runes := []rune(s)
	if start < 0 || start >= int64(len(runes)) {
		return nil, nil
	}
	rest := runes[start:]
	if len(args) == 2 {
		n, ok, err := integerArg(e, args[1], "the length of substring")
		if err != nil {
			return nil, err
		}
		if ok {
			rest = rest[:min(max(n, 0), int64(len(rest)))]
		}
	}
	return e.one(Text(string(rest))), nil
}

func replace(e *Env, s string, args []code) ([]Value, error) {
	from, okFrom, err := textArg(e, args[0], "replace")
	if err != nil || !okFrom {
		return nil, err
	}
	to, okTo, err := textArg(e, args[1], "replace")
	if err != nil || !okTo {
		return nil, err
	}
	return e.one(Text(strings.ReplaceAll(s, from, to))), nil
}

// regex compiles a pattern as FHIRPath has it: the point matches line breaks too.
// RE2 has no look-around and takes time linear in the text.
func regex(pattern string, full bool) (*regexp.Regexp, error) {
	if full {
		pattern = `^(?:` + pattern + `)$`
	}
	re, err := regexp.Compile("(?s)" + pattern)
	if err != nil {
		return nil, fmt.Errorf("the regular expression cannot be read: %w", err)
	}
	return re, nil
}

// matches compiles its pattern once when that is a literal.
func matches(name string) (function, bool) {
	return function{1, 1, func(args []code) code {
		fixed := literalRegex(args[0], name == "matchesFull")
		return logical(func(e *Env, in []Value) (Truth, error) {
			s, ok, err := oneText(in, name)
			if err != nil || !ok {
				return Unknown, err
			}
			re := fixed
			if re == nil {
				pattern, ok, err := textArg(e, args[0], name)
				if err != nil || !ok {
					return Unknown, err
				}
				if re, err = regex(pattern, name == "matchesFull"); err != nil {
					return Unknown, err
				}
			}
			return truthOf(re.MatchString(s)), nil
		})
	}}, true
}

// literalRegex gives the pattern of an argument that needs no Env, nil otherwise.
func literalRegex(arg code, full bool) *regexp.Regexp {
	if !arg.constant {
		return nil
	}
	out, err := arg.eval(&Env{}, nil)
	if err != nil || len(out) != 1 || out[0].kind != kindString {
		return nil
	}
	re, err := regex(out[0].text, full)
	if err != nil {
		return nil
	}
	return re
}

func replaceMatches(e *Env, s string, args []code) ([]Value, error) {
	pattern, okPattern, err := textArg(e, args[0], "replaceMatches")
	if err != nil || !okPattern {
		return nil, err
	}
	to, okTo, err := textArg(e, args[1], "replaceMatches")
	if err != nil || !okTo {
		return nil, err
	}
	if pattern == "" {
		return e.one(Text(s)), nil
	}
	re, err := regex(pattern, false)
	if err != nil {
		return nil, err
	}
	return e.one(Text(re.ReplaceAllString(s, to))), nil
}

func join(args []code) evalFn {
	return func(e *Env, in []Value) ([]Value, error) {
		sep := ""
		if len(args) == 1 {
			var err error
			if sep, _, err = textArg(e, args[0], "join"); err != nil {
				return nil, err
			}
		}
		var parts []string
		for _, v := range in {
			s, ok, err := oneText([]Value{v}, "join")
			if err != nil {
				return nil, err
			}
			if ok {
				parts = append(parts, s)
			}
		}
		if len(in) == 0 {
			return nil, nil
		}
		return e.one(Text(strings.Join(parts, sep))), nil
	}
}

func recode(function, format, s string) (Value, error) {
	switch function + " " + format {
	case "encode hex":
		return Text(hex.EncodeToString([]byte(s))), nil
	case "encode base64":
		return Text(base64.StdEncoding.EncodeToString([]byte(s))), nil
	case "encode urlbase64":
		return Text(base64.URLEncoding.EncodeToString([]byte(s))), nil
	case "decode hex":
		b, err := hex.DecodeString(s)
		return Text(string(b)), err
	case "decode base64":
		b, err := base64.StdEncoding.DecodeString(s)
		return Text(string(b)), err
	case "decode urlbase64":
		b, err := base64.URLEncoding.DecodeString(s)
		return Text(string(b)), err
	case "escape html":
		return Text(strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;", "'", "&#39;").Replace(s)), nil
	case "unescape html":
		return Text(html.UnescapeString(s)), nil
	case "escape json":
		return escapeJSON(s)
	case "unescape json":
		return unescapeJSON(s)
	}
	return Value{}, nil // an unknown format gives nothing
}

func escapeJSON(s string) (Value, error) {
	var b strings.Builder
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(s); err != nil {
		return Value{}, err
	}
	quoted := strings.TrimSuffix(b.String(), "\n")
	return Text(quoted[1 : len(quoted)-1]), nil
}

func unescapeJSON(s string) (Value, error) {
	var out string
	if json.Unmarshal([]byte(`"`+s+`"`), &out) != nil {
		out = strings.ReplaceAll(s, `\"`, `"`)
	}
	return Text(out), nil
}
