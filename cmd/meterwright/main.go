// Command meterwright carries out, checks and shows visits to electricity meters.
package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"strings"
	"syscall"

	"github.com/alecthomas/kong"

	"meterwright/internal/terminal"
	"meterwright/internal/version"
	"meterwright/say"
	"meterwright/say/en"
)

const description = `Carries out, checks and shows visits to electricity meters. Where a file is named, "-" is standard input or output.

Exit codes: 0 good; 1 not good, or it makes no sense; 2 a file could not be read or written; 3 no fault, but not settled (not ended, doubtful, rows left out); 80 the command line is wrong. The help of a command says what each means there.
`

// commands is the command line. The tag exits of a command says what each of its exit codes
// means; helpExits shows it, and the tests hold docs/commands.md and the scripts to it.
type commands struct {
	Edition kong.VersionFlag `name:"version" help:"Say which edition this is, and end."`

	Visit       visitCommands       `cmd:"" help:"Carry visits out, and fold records again."`
	Record      recordCommands      `cmd:"" help:"Check and show records."`
	Method      methodCommands      `cmd:"" help:"List, show and check written methods."`
	Jobs        jobsCommands        `cmd:"" help:"Take jobs over from another system."`
	Projections projectionsCommands `cmd:"" help:"Summaries of visits, made from their records."`
	Calc        calcCommands        `cmd:"" help:"Reckon one thing, with its limits and their sources."`
	Departures  departuresCommand   `cmd:"" help:"List what can be wrong at a service position." exits:"0 listed|1 the site file makes no sense|2 it cannot be read"`
	Predict     predictCommand      `cmd:"" help:"Show what every instrument would show there and what a hand would meet." exits:"0 solved|1 the site file or a flag makes no sense there|2 the file cannot be read"`
	Netlist     netlistCommand      `cmd:"" help:"Write the same position as a deck for a SPICE program." exits:"0 written|1 the site file or a flag makes no sense there|2 the file cannot be read"`
	Diagnose    diagnoseCommand     `cmd:"" help:"Say what was seen there may mean: which departures explain it." exits:"0 whatever it may mean|1 a file makes no sense|2 a file cannot be read"`
	Serve       serveCommand        `cmd:"" help:"Serve the field and the office on this machine." exits:"0 it was interrupted or told to end|1 the address is refused|2 the folder or the port cannot be used"`
	Completion  completionCommand   `cmd:"" help:"Write the lines by which a shell completes commands and flags: source <(meterwright completion bash)." exits:"0 written|2 the output cannot be written"`
	Words       wordsCommand        `cmd:"" hidden:"" name:"completion-words" help:"What may stand next on a command line; for the shells." passthrough:"" exits:"0 written|2 the output cannot be written"`
	Version     versionCommand      `cmd:"" help:"Say which edition this is." exits:"0 said|2 the output cannot be written"`
}

// streams are where a command reads and writes.
type streams struct {
	ctx context.Context
	in  io.Reader
	// drained says that standard input was read already.
	drained bool
	out     io.Writer
	err     io.Writer
	json    bool
	words   *say.Language
	// model is the command line, for completion.
	model *kong.Application
}

func main() {
	// A script that is being carried out ends between two entries; a second interrupt ends
	// the program at once.
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop)
	// A reader that has seen enough, such as head, must not break off a visit between two
	// of its lines: what it no longer wants is thrown away, and the work goes on to its end.
	signal.Ignore(syscall.SIGPIPE)
	code := run(&streams{ctx: ctx, in: os.Stdin, out: &leaving{w: os.Stdout}, err: &leaving{w: os.Stderr}}, os.Args[1:])
	stop()
	os.Exit(code)
}

// parser reads command lines into c.
func parser(c *commands, options ...kong.Option) (*kong.Kong, error) {
	p, err := kong.New(c, append(options, kong.Name("meterwright"),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}), kong.Vars{"version": "meterwright " + version.Edition})...)
	if err != nil {
		return nil, err
	}
	for _, leaf := range p.Model.Leaves(false) {
		leaf.Detail = helpExits(exitsOf(leaf))
	}
	return p, nil
}

func run(s *streams, args []string) int {
	var c commands
	left := -1
	words, err := en.Language()
	if err != nil {
		return exitBad // The words are part of the program: a test holds them.
	}
	s.words = words
	p, err := parser(&c, kong.Writers(s.out, s.err), kong.Description(description+"\n\n"+words.Say("caution")), kong.Exit(func(code int) { left = code }))
	if err != nil {
		return s.report(err)
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	s.model = p.Model
	k, err := p.Parse(args)
	if left >= 0 {
		return left // Help or the edition was asked for and shown.
	}
	if err != nil {
		s.json = slices.Contains(args, "--json")
		return s.report(usage(err, "meterwright --help shows the commands, meterwright COMMAND --help the flags of one"))
	}
	for _, f := range k.Flags() {
		s.json = s.json || f.Name == "json" && f.Target.Bool()
	}
	if err = k.Run(s); err != nil {
		return s.report(err)
	}
	return exitGood
}

type versionCommand struct{ asJSON }

func (c *versionCommand) Run(s *streams) error {
	return s.show(struct {
		Edition string `json:"edition"`
	}{version.Edition}, func(t *terminal.Text) { t.Line("meterwright %s", version.Edition) })
}

type completionCommand struct {
	Shell string `arg:"" help:"bash, zsh or fish." enum:"bash,zsh,fish"`
	asJSON
}

func (c *completionCommand) Run(s *streams) error {
	script := completions[c.Shell]
	return s.show(script, func(t *terminal.Text) { t.Raw([]byte(script)) })
}

type wordsCommand struct {
	Line []string `arg:"" optional:"" help:"The words until the cursor, the last of them not whole."`
}

func (c *wordsCommand) Run(s *streams) error {
	for _, w := range nextWords(s.model.Node, c.Line) {
		if _, err := fmt.Fprintln(s.out, w); err != nil {
			return notWritten(err)
		}
	}
	return nil
}

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
