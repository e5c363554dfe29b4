# SPDX-License-Identifier: GPL-2.0-or-later
# Completion of underdigit for bash.  Commands and options are what the program's own
# help names, so that none is ever missing here.

_underdigit() {
  local word=${COMP_WORDS[COMP_CWORD]} before=${COMP_WORDS[COMP_CWORD - 1]}
  local program=${COMP_WORDS[0]} command=${COMP_WORDS[1]} choices
  COMPREPLY=()

  if ((COMP_CWORD == 1)) || [[ $command == help && COMP_CWORD -eq 2 ]]; then
    choices=$("$program" --help 2>/dev/null | sed -n 's/^  \([a-z]\{1,\}\)  .*/\1/p')
    ((COMP_CWORD == 1)) && choices+=" --help --version"
    mapfile -t COMPREPLY < <(compgen -W "$choices" -- "$word")
    return
  fi
  if [[ $word == -* ]]; then
    choices=$("$program" help "$command" 2>/dev/null | grep -oE -- '--[a-z][a-z-]*' | sort -u)
    mapfile -t COMPREPLY < <(compgen -W "$choices" -- "$word")
    return
  fi
  case $before in
  --output)
    mapfile -t COMPREPLY < <(compgen -d -- "$word")
    ;;
  --reference)
    mapfile -t COMPREPLY < <(compgen -d -- "$word"; compgen -f -X '!*.json' -- "$word")
    ;;
  *)
    mapfile -t COMPREPLY < <(compgen -f -- "$word")
    ;;
  esac
}

complete -o filenames -F _underdigit underdigit
