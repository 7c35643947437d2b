@echo off
rem Times reading alone, ours, and what one would chain instead; environment.py does the work.
setlocal
if not defined PYTHON where py >nul 2>nul && set "PYTHON=py"
if not defined PYTHON set "PYTHON=python"
"%PYTHON%" "%~dp0environment.py" benchmark %*
exit /b %errorlevel%
