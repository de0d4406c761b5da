_nightfix() {
    local i cur prev opts cmd
    COMPREPLY=()
    if [[ "${BASH_VERSINFO[0]}" -ge 4 ]]; then
        cur="$2"
    else
        cur="${COMP_WORDS[COMP_CWORD]}"
    fi
    prev="$3"
    cmd=""
    opts=""

    for i in "${COMP_WORDS[@]:0:COMP_CWORD}"
    do
        case "${cmd},${i}" in
            ",$1")
                cmd="nightfix"
                ;;
            nightfix,bundle)
                cmd="nightfix__subcmd__bundle"
                ;;
            nightfix,centre)
                cmd="nightfix__subcmd__centre"
                ;;
            nightfix,help)
                cmd="nightfix__subcmd__help"
                ;;
            nightfix,manual)
                cmd="nightfix__subcmd__manual"
                ;;
            nightfix,night)
                cmd="nightfix__subcmd__night"
                ;;
            nightfix,polar)
                cmd="nightfix__subcmd__polar"
                ;;
            nightfix,serve)
                cmd="nightfix__subcmd__serve"
                ;;
            nightfix,sky)
                cmd="nightfix__subcmd__sky"
                ;;
            nightfix,solve)
                cmd="nightfix__subcmd__solve"
                ;;
            nightfix,stand-by)
                cmd="nightfix__subcmd__stand__subcmd__by"
                ;;
            nightfix,watch)
                cmd="nightfix__subcmd__watch"
                ;;
            nightfix__subcmd__help,bundle)
                cmd="nightfix__subcmd__help__subcmd__bundle"
                ;;
            nightfix__subcmd__help,centre)
                cmd="nightfix__subcmd__help__subcmd__centre"
                ;;
            nightfix__subcmd__help,help)
                cmd="nightfix__subcmd__help__subcmd__help"
                ;;
            nightfix__subcmd__help,manual)
                cmd="nightfix__subcmd__help__subcmd__manual"
                ;;
            nightfix__subcmd__help,night)
                cmd="nightfix__subcmd__help__subcmd__night"
                ;;
            nightfix__subcmd__help,polar)
                cmd="nightfix__subcmd__help__subcmd__polar"
                ;;
            nightfix__subcmd__help,serve)
                cmd="nightfix__subcmd__help__subcmd__serve"
                ;;
            nightfix__subcmd__help,sky)
                cmd="nightfix__subcmd__help__subcmd__sky"
                ;;
            nightfix__subcmd__help,solve)
                cmd="nightfix__subcmd__help__subcmd__solve"
                ;;
            nightfix__subcmd__help,stand-by)
                cmd="nightfix__subcmd__help__subcmd__stand__subcmd__by"
                ;;
            nightfix__subcmd__help,watch)
                cmd="nightfix__subcmd__help__subcmd__watch"
                ;;
            *)
                ;;
        esac
    done

    case "${cmd}" in
        nightfix)
            opts="-V -h --version --verbose --ember --help solve night watch polar serve centre stand-by sky manual bundle help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 1 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__bundle)
            opts="-h --out --with-pixels --at --equinox --within --focal-length --pixel-size --scale --ignore-header --index --time-limit --threads --ember --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --out)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --at)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --equinox)
                    COMPREPLY=($(compgen -W "j2000 date" -- "${cur}"))
                    return 0
                    ;;
                --within)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --focal-length)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --pixel-size)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --scale)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --index)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --time-limit)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --threads)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__centre)
            opts="-h --equinox --mount --camera --frames --exposure --patience --move --sync --slew-first --within-arcmin --tries --min-altitude --meridian-limit --most-motion --site --settle --scale --index --time-limit --json --log --ember --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --equinox)
                    COMPREPLY=($(compgen -W "j2000 date" -- "${cur}"))
                    return 0
                    ;;
                --mount)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --camera)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --frames)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --exposure)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --patience)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --within-arcmin)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --tries)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --min-altitude)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --meridian-limit)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --most-motion)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --site)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --settle)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --scale)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --index)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --time-limit)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --log)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__help)
            opts="solve night watch polar serve centre stand-by sky manual bundle help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__help__subcmd__bundle)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__help__subcmd__centre)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__help__subcmd__help)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__help__subcmd__manual)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__help__subcmd__night)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__help__subcmd__polar)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__help__subcmd__serve)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__help__subcmd__sky)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__help__subcmd__solve)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__help__subcmd__stand__subcmd__by)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__help__subcmd__watch)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__manual)
            opts="-h --ember --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__night)
            opts="-h --only --except --no-subfolders --table --report --mount-axes --journal --write-wcs --lines --json --at --equinox --within --focal-length --pixel-size --scale --ignore-header --index --time-limit --threads --ember --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --only)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --except)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --table)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --report)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --mount-axes)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --journal)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --at)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --equinox)
                    COMPREPLY=($(compgen -W "j2000 date" -- "${cur}"))
                    return 0
                    ;;
                --within)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --focal-length)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --pixel-size)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --scale)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --index)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --time-limit)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --threads)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__polar)
            opts="-h --adjusted --site --pressure --temperature --pole --picture --json --at --equinox --within --focal-length --pixel-size --scale --ignore-header --index --time-limit --threads --ember --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --adjusted)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --site)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --pressure)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --temperature)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --pole)
                    COMPREPLY=($(compgen -W "true refracted" -- "${cur}"))
                    return 0
                    ;;
                --picture)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --at)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --equinox)
                    COMPREPLY=($(compgen -W "j2000 date" -- "${cur}"))
                    return 0
                    ;;
                --within)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --focal-length)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --pixel-size)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --scale)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --index)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --time-limit)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --threads)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__serve)
            opts="-h --port --socket --token-file --workers --most-bytes --at --equinox --within --focal-length --pixel-size --scale --ignore-header --index --time-limit --threads --ember --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --port)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --socket)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --token-file)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --workers)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --most-bytes)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --at)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --equinox)
                    COMPREPLY=($(compgen -W "j2000 date" -- "${cur}"))
                    return 0
                    ;;
                --within)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --focal-length)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --pixel-size)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --scale)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --index)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --time-limit)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --threads)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__sky)
            opts="-h --index --check --json --ember --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --index)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__solve)
            opts="-h --at --equinox --within --focal-length --pixel-size --scale --ignore-header --index --time-limit --threads --target --focus-star --repeat --json --verbose --overlay --refusals --write-wcs --ember --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --at)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --equinox)
                    COMPREPLY=($(compgen -W "j2000 date" -- "${cur}"))
                    return 0
                    ;;
                --within)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --focal-length)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --pixel-size)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --scale)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --index)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --time-limit)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --threads)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --target)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --focus-star)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --repeat)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --overlay)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --refusals)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__stand__subcmd__by)
            opts="-h --log --ember --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --log)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        nightfix__subcmd__watch)
            opts="-h --only --except --no-subfolders --table --report --mount-axes --journal --write-wcs --target --alarm --polar --site --pressure --temperature --pole --mount --sync-only --log --every --json --at --equinox --within --focal-length --pixel-size --scale --ignore-header --index --time-limit --threads --ember --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --only)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --except)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --table)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --report)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --mount-axes)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --journal)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --target)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --alarm)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --site)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --pressure)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --temperature)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --pole)
                    COMPREPLY=($(compgen -W "true refracted" -- "${cur}"))
                    return 0
                    ;;
                --mount)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --log)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --every)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --at)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --equinox)
                    COMPREPLY=($(compgen -W "j2000 date" -- "${cur}"))
                    return 0
                    ;;
                --within)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --focal-length)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --pixel-size)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --scale)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --index)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --time-limit)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --threads)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
    esac
}

if [[ "${BASH_VERSINFO[0]}" -eq 4 && "${BASH_VERSINFO[1]}" -ge 4 || "${BASH_VERSINFO[0]}" -gt 4 ]]; then
    complete -F _nightfix -o nosort -o bashdefault -o default nightfix
else
    complete -F _nightfix -o bashdefault -o default nightfix
fi
