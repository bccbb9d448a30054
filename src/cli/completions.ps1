Register-ArgumentCompleter -Native -CommandName 'batterhead' -ScriptBlock {
    param($wordToComplete, $commandAst, $cursorPosition)

    # What can follow each command, with its meaning.
    $words = @{
#words
    }
    # Names that can follow a command as its first argument, or one of its options.
    $names = @{
#names
    }

    # What is typed already, without the word that is being completed.
    $typed = @($commandAst.CommandElements | ForEach-Object { $_.Extent.Text })
    if ($wordToComplete -ne '' -or $typed[-1].EndsWith(',')) {
        $typed = @($typed | Select-Object -SkipLast 1)
    }
    $command = 'batterhead'
    foreach ($word in @($typed | Select-Object -Skip 1)) {
        if ($words.ContainsKey("$command $word")) {
            $command = "$command $word"
        }
    }
    $place = ''
    if ($typed.Count -gt 0 -and $typed[-1].StartsWith('-')) {
        $place = "$command $($typed[-1])"
    }
    elseif ($typed.Count -gt 0 -and $command.EndsWith(" $($typed[-1])")) {
        $place = $command
    }

    # Where nothing is found here, PowerShell completes names of files.
    $ignoreCase = [System.StringComparison]::OrdinalIgnoreCase
    foreach ($name in $names[$place]) {
        if ($name.StartsWith($wordToComplete, $ignoreCase)) {
            [System.Management.Automation.CompletionResult]::new($name, $name, 'ParameterValue', $name)
        }
    }
    foreach ($word in $words[$command].GetEnumerator()) {
        $option = $word.Key.StartsWith('-')
        if ($word.Key.StartsWith($wordToComplete, $ignoreCase) -and -not ($option -and $wordToComplete -eq '')) {
            $kind = if ($option) { 'ParameterName' } else { 'ParameterValue' }
            [System.Management.Automation.CompletionResult]::new($word.Key, $word.Key, $kind, $word.Value)
        }
    }
}
