package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/alecthomas/kong"
)

// completionCmd prints a completion script.
type completionCmd struct {
	Shell string `arg:"" enum:"bash,zsh,fish" help:"bash, zsh or fish."`
}

// Help is shown by --help.
func (completionCmd) Help() string {
	return `Let your shell read the script when it starts.

Examples:

    lamplighter completion bash > ~/.local/share/bash-completion/completions/lamplighter
    lamplighter completion zsh > "${fpath[1]}/_lamplighter"
    lamplighter completion fish > ~/.config/fish/completions/lamplighter.fish`
}

// words is what may follow a command, such as "fleet apply".
type words struct {
	path  string // the words of the command, "" for the program itself
	words []word
}

type word struct{ text, help string }

// Run prints the script.
func (c *completionCmd) Run(e *environment) error {
	lists := listWords(e.model.Node, nil)
	switch c.Shell {
	case "bash":
		return printBash(e.stdout, lists)
	case "zsh":
		return printZsh(e.stdout, lists)
	}
	return printFish(e.stdout, lists)
}

// listWords walks through the commands and lists what may follow each.
func listWords(node *kong.Node, path []string) []words {
	list := words{path: strings.Join(path, " ")}
	var below []words
	for _, child := range node.Children {
		list.words = append(list.words, word{child.Name, child.Help})
		below = append(below, listWords(child, append(path[:len(path):len(path)], child.Name))...)
	}
	for _, group := range node.AllFlags(true) {
		for _, flag := range group {
			list.words = append(list.words, word{"--" + flag.Name, flag.Help})
		}
	}
	return append([]words{list}, below...)
}

func (w words) texts() []string {
	texts := make([]string, len(w.words))
	for i, word := range w.words {
		texts[i] = word.text
	}
	return texts
}

// shellCases writes one branch of a case statement for each command.
func shellCases(lists []words, branch func(words) string) string {
	var b strings.Builder
	for _, list := range lists {
		fmt.Fprintf(&b, "    %q) %s ;;\n", list.path, branch(list))
	}
	return b.String()
}

// findPlace is the part that bash and zsh share: the words before the cursor
// that are commands, joined, in $at.
const findPlace = `  local at="" word
  for word in "${before[@]}"; do
    case "$at $word" in
%s      *) ;;
    esac
  done
`

func placeCases(lists []words) string {
	var b strings.Builder
	for _, list := range lists[1:] {
		spaced := list.path
		if !strings.Contains(spaced, " ") {
			spaced = " " + spaced
		}
		fmt.Fprintf(&b, "      %q) at=%q ;;\n", spaced, list.path)
	}
	return b.String()
}

func printBash(w io.Writer, lists []words) error {
	_, err := fmt.Fprintf(w, `# Completion for lamplighter in bash.
_lamplighter() {
  local before=("${COMP_WORDS[@]:1:COMP_CWORD-1}") choices=""
`+findPlace+`  case "$at" in
%s  esac
  mapfile -t COMPREPLY < <(compgen -W "$choices" -f -- "${COMP_WORDS[COMP_CWORD]}")
}
complete -o filenames -F _lamplighter lamplighter
`, placeCases(lists), shellCases(lists, func(l words) string {
		return fmt.Sprintf("choices=%q", strings.Join(l.texts(), " "))
	}))
	return err
}

func printZsh(w io.Writer, lists []words) error {
	_, err := fmt.Fprintf(w, `#compdef lamplighter
# Completion for lamplighter in zsh.
_lamplighter() {
  local before=("${(@)words[2,CURRENT-1]}")
  local -a choices
`+findPlace+`  case "$at" in
%s  esac
  compadd -a choices
  _files
}
if [[ "${funcstack[1]}" == _lamplighter ]]; then # loaded from fpath when first needed
  _lamplighter "$@"
else
  compdef _lamplighter lamplighter
fi
`, placeCases(lists), shellCases(lists, func(l words) string {
		return fmt.Sprintf("choices=(%s)", strings.Join(l.texts(), " "))
	}))
	return err
}

func printFish(w io.Writer, lists []words) error {
	var b strings.Builder
	b.WriteString("# Completion for lamplighter in fish.\n")
	for _, list := range lists {
		condition := "__fish_use_subcommand"
		if list.path != "" {
			condition = "__fish_seen_subcommand_from " + list.path[strings.LastIndex(list.path, " ")+1:]
		}
		for _, word := range list.words {
			choice := "-a " + word.text
			if flag, ok := strings.CutPrefix(word.text, "--"); ok {
				choice = "-l " + flag
			}
			fmt.Fprintf(&b, "complete -c lamplighter -n '%s' %s -d '%s'\n", condition, choice, strings.ReplaceAll(word.help, "'", `\'`))
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}
