package main

import (
	"slices"
	"strings"

	"github.com/alecthomas/kong"
)

// completions are the lines that a shell reads. Each asks the program itself what may stand next,
// so that they need not be made again for another edition; where it names nothing, the shell
// offers files.
var completions = map[string]string{
	"bash": `_meterwright() {
	local IFS=$'\n'
	COMPREPLY=($(compgen -W "$(meterwright completion-words -- "${COMP_WORDS[@]:1:COMP_CWORD}" 2>/dev/null)" -- "${COMP_WORDS[COMP_CWORD]}"))
}
complete -o default -o bashdefault -F _meterwright meterwright`,
	"zsh": `#compdef meterwright
_meterwright() {
	local -a next
	next=("${(@f)$(meterwright completion-words -- "${(@)words[2,CURRENT]}" 2>/dev/null)}")
	if [[ -n "$next" ]]; then compadd -- $next; else _files; fi
}
compdef _meterwright meterwright`,
	"fish": `complete -c meterwright -a '(meterwright completion-words -- (commandline -opc)[2..] (commandline -ct) 2>/dev/null)'`,
}

// nextWords lists what may stand in place of the last of the words: commands and flags that begin
// like it, or the values of a flag that takes one of a few. Where a file or a free word stands it
// lists nothing.
func nextWords(node *kong.Node, line []string) []string {
	if len(line) == 0 {
		line = []string{""}
	}
	flags := slices.Clone(node.Flags)
	var waiting *kong.Flag // a flag whose value comes next
	for _, word := range line[:len(line)-1] {
		name, _, whole := strings.Cut(word, "=")
		at := slices.IndexFunc(flags, func(f *kong.Flag) bool {
			return "--"+f.Name == name || f.Short != 0 && "-"+string(f.Short) == name
		})
		switch {
		case waiting != nil:
			waiting = nil
		case at >= 0 && !whole && !flags[at].IsBool():
			waiting = flags[at]
		case at < 0:
			if i := slices.IndexFunc(node.Children, func(n *kong.Node) bool { return n.Name == word && !n.Hidden }); i >= 0 {
				node = node.Children[i]
				flags = append(flags, node.Flags...)
			}
		}
	}
	last := line[len(line)-1]
	var all []string
	switch {
	case waiting != nil:
		all = few(waiting.Value)
	case strings.HasPrefix(last, "-"):
		for _, f := range flags {
			if !f.Hidden {
				all = append(all, "--"+f.Name)
			}
		}
	default:
		for _, n := range node.Children {
			if !n.Hidden {
				all = append(all, n.Name)
			}
		}
		for _, p := range node.Positional {
			all = append(all, few(p)...)
		}
	}
	return slices.DeleteFunc(all, func(w string) bool { return !strings.HasPrefix(w, last) })
}

// few are the values of a flag or argument that takes one of a few.
func few(v *kong.Value) []string {
	if v.Enum == "" {
		return nil
	}
	return v.EnumSlice()
}
